"""What gets signed: the models of manifests and records, nothing else.

A manifest lists what one revision or one package holds. A record is any other
signed fact. Both are written once as canonical JSON and never again: a
signature is checked over the stored bytes, and a field that this version does
not know is kept, so that a later relkit may add to them.

Conventions
    digests      SHA-256, 64 lower-case hex digits, unless the name says otherwise
    times        ISO 8601, UTC, whole seconds, "+00:00"
    days         civil days, "yyyy-mm-dd", without a zone
    loudness     [LUFS], range [LU], peaks [dBTP] and [dBFS], two decimals;
                 null where the file is silent or too short to have the figure

Not here: making the bytes and signatures (``relkit.trust``), storing them
(``relkit.store``), deciding what goes in (``relkit.release``).
"""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    model_validator,
)

from relkit.errors import DamagedError
from relkit.filenames import fault_of_path, same_name_key, shown, twins

FORMAT = 1
MANIFEST_NAMESPACE = "manifest@relkit.example"  # frozen; RFC 2606 reserves .example, so it is nobody's
RECORD_NAMESPACE = "git"  # what stock git verifies tags in

PROOF = "proof"  # the folder of a package that no listed file lies in: it holds what proves them


def _real_day(text: str) -> str:
    date.fromisoformat(text)  # ValueError: a day that no month has
    return text


def _real_moment(text: str) -> str:
    datetime.fromisoformat(text)
    return text


Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
RandomId = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{32}$")]
# Days and moments are compared as text, so there is one form of each; "\d" would take any script's digits.
_DAY = "[0-9]{4}-[0-9]{2}-[0-9]{2}"
Day = Annotated[str, StringConstraints(pattern=f"^{_DAY}$"), AfterValidator(_real_day)]
Moment = Annotated[
    str,
    StringConstraints(pattern=rf"^{_DAY}T[0-9]{{2}}:[0-9]{{2}}:[0-9]{{2}}\+00:00$"),
    AfterValidator(_real_moment),
]
Count = Annotated[int, Field(ge=0, le=2**53 - 1)]
Format = Annotated[int, Field(ge=FORMAT, le=FORMAT)]  # no Literal[1]: that would take true, which equals 1
RevisionNumber = Annotated[int, Field(ge=1, le=2**31)]


class BadManifestError(DamagedError):
    """A manifest or record does not say what one must say, or names unsafe paths."""


class Signed(BaseModel):
    """Base of all models: frozen, and unknown fields survive a reading."""

    model_config = ConfigDict(extra="allow", frozen=True, defer_build=True)


class VersionFacts(Signed):
    """The place of a file on the four axes of a version, as declared that day."""

    id: str
    label: str
    parts: str
    form: str
    rating: str | None = None  # None: not declared, which counts as explicit
    language: str | None = None
    removed: list[str] = []
    length_group: str

    @property
    def may_be_explicit(self) -> bool:
        """Whether a recipient who excludes explicit material must not get this."""
        return self.rating not in {"clean", "no-edit-needed"}


class SoundFacts(Signed):
    """What was measured of the audio inside a file; never read from tags."""

    identity: Sha256
    sample_format: str
    sample_rate_hz: Count
    channels: Count
    channel_mask: Count = 0
    frames: Count
    integrated_loudness_lufs: float | None = None
    loudness_range_lu: float | None = None
    true_peak_dbtp: float | None = None
    sample_peak_dbfs: float | None = None
    meter: str | None = None  # None: a format that is stored but not measured

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz if self.sample_rate_hz else 0.0


class Derivation(Signed):
    """What a derived file was made from. The maker is noted but is no part of the key.

    Attributes:
        source_sha256: the sound identity of the source; of a file without sound, its SHA-256.
        recipe: what was done to the sound or picture.
        wrapping: SHA-256 of what stands before the sound and behind it, tags and all; null without sound.
    """

    source_sha256: Sha256
    recipe: str
    made_with: str
    wrapping: Sha256 | None = None


class FileEntry(Signed):
    """One file of a revision or package."""

    role: str  # "version", "cover", "sheet", "note"
    name: str
    size_bytes: Count
    sha256: Sha256
    xxh3_128: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{32}$")]
    container: str | None = None
    version: VersionFacts | None = None
    sound: SoundFacts | None = None
    derived_from: Derivation | None = None


class ReleaseFacts(Signed):
    """The declared facts of a song that anybody may know."""

    artist: str
    title: str
    tempo: str | None = None  # as people read it: "122 BPM"
    key: str | None = None  # "F# minor"


class _Manifest(Signed):
    format: Format
    release_id: RandomId
    release: ReleaseFacts
    revision: RevisionNumber
    recorded_at: Moment
    files: list[FileEntry]

    @model_validator(mode="after")
    def _paths_are_safe(self) -> _Manifest:
        names = [entry.name for entry in self.files]
        for name in names:
            fault = fault_of_path(name)
            if fault is not None:
                raise ValueError(f"file name {shown(name[:80])!r} {fault}")
        for first, second in twins(names):
            raise ValueError(f"{shown(first)!r} and {shown(second)!r} are one file on some systems")
        return self

    def entry(self, name: str) -> FileEntry | None:
        """Return the file of that name, or None."""
        return next((entry for entry in self.files if entry.name == name), None)


class RevisionManifest(_Manifest):
    """The signed list of one revision's files."""

    type: Literal["revision"] = "revision"
    previous: list[Sha256]
    note: str = ""
    session: str | None = None
    answers: list[Sha256] = []  # rejections, by the digest of their record, that this means to answer
    tool: str


class PackageManifest(_Manifest):
    """The signed list of one package's files: no recipient, no wall clock, no tool.

    ``recorded_at`` is the time of its revision, so that the same revision and
    wants give the same bytes on any day.
    """

    type: Literal["package"] = "package"
    name: str  # of the package's folder
    of_revision: Sha256
    replaces: Sha256 | None = None

    @model_validator(mode="after")
    def _can_be_written(self) -> PackageManifest:
        fault = "has a separator" if "/" in self.name else fault_of_path(self.name)
        if fault is not None:
            raise ValueError(f"package name {shown(self.name[:80])!r} {fault}")
        for entry in self.files:
            fault = fault_of_path(f"{self.name}/{entry.name}")  # as an archive has it
            if same_name_key(entry.name.partition("/")[0]) == PROOF:
                fault = "belongs to the proof"
            if fault is not None:
                raise ValueError(f"file name {shown(entry.name[:80])!r} {fault}")
        return self


class RecipientFacts(Signed):
    """Who received, as known on that day. No address ever."""

    id: RandomId
    name: str
    kind: str | None = None


class _Record(Signed):
    format: Format
    id: RandomId
    release_id: RandomId
    recorded_at: Moment
    of: Sha256  # digest of the manifest or record that this speaks of
    after: list[Sha256]  # newest records and revision known when this was written

    @property
    def ref(self) -> str:
        """Name below ``refs/tags/``; the tag carries the same."""
        return f"records/{self.id}"


class Gate(Signed):
    """Something that would have stopped a shipment, had nobody given a reason to send it all the same.

    Attributes:
        gate: "explicit", "embargo", "approval", "rejection" or "quality".
        findings: what was found, a line each.
    """

    gate: str
    findings: list[str]


class ShippedRecord(_Record):
    """A package went to a recipient on a day."""

    type: Literal["shipped"] = "shipped"
    recipient: RecipientFacts
    shipped_on: Day
    form: str  # "folder" or "zip"; what a later version adds is refused where it is asked for, not before
    revision: RevisionNumber
    versions: list[str]
    formats: list[str] = []  # that were asked for: keys of relkit.pack.renditions.FORMATS
    channel: str | None = None
    note: str = ""
    despite: str | None = None  # why it went out all the same
    gates: list[Gate] = []  # past which it went with that reason
    by: str | None = None  # who sent it

    @property
    def ref(self) -> str:
        """Name below ``refs/tags/``; no person's name in it."""
        return f"shipped/{self.shipped_on}-{self.id}"


class WithdrawnRecord(_Record):
    """An earlier record was a mistake or must not be used any more."""

    type: Literal["withdrawn"] = "withdrawn"
    reason: str
    never_sent: bool = False


class Place(Signed):
    """A stretch of one version, or a moment where start and end are equal."""

    start_ms: Count
    end_ms: Count


ANSWERS = ("received", "playing", "accepted", "asked", "rejected")


class ReplyRecord(_Record):
    """What came back for a shipment; ``of`` is the shipment's digest.

    Attributes:
        answer: one of ``ANSWERS``.
        version: that it speaks of; None where it is about all of the package.
        places: where in that version, by the time in its file.
        text: the reason of a rejection, or what was asked for.
        number: of a rejection, counted in the release from 1; a label, like a revision's.
    """

    type: Literal["reply"] = "reply"
    recipient: RecipientFacts
    replied_on: Day
    answer: str
    version: str | None = None
    places: list[Place] = []
    text: str = ""
    number: Annotated[int, Field(ge=1, le=2**31)] | None = None


class ApprovedRecord(_Record):
    """Somebody who has a say agreed to a revision; ``of`` is its digest."""

    type: Literal["approved"] = "approved"
    by: str
    role: str  # "artist", "label", "mastering"
    revision: RevisionNumber
    note: str = ""


class AcceptedRecord(_Record):
    """A finding of quality control was looked at and is to stay; ``of`` is the revision's digest.

    It holds for later revisions as long as the same rule finds no worse at the same place.

    Attributes:
        rule, rule_version: which rule, in which of its versions.
        severity: "fail", "warn" or "note".
        versions: what the finding is about.
        places: where in the first of them; none for a finding about the whole.
        fault: the finding as it was read; measured: its figure, with the unit.
        badness: on a scale of the rule's own, larger is worse; rounded to 0.001.
    """

    type: Literal["accepted"] = "accepted"
    revision: RevisionNumber
    rule: str
    rule_version: Count
    severity: str
    versions: list[str] = []
    places: list[Place] = []
    fault: str
    measured: str = ""
    badness: float
    reason: str


class OtherRecord(_Record):
    """A record of a type that this version does not know: kept, shown, checked, not understood."""

    type: str


Record = ShippedRecord | WithdrawnRecord | ReplyRecord | ApprovedRecord | AcceptedRecord | OtherRecord
_RECORDS: dict[str, type[Record]] = {
    "shipped": ShippedRecord,
    "withdrawn": WithdrawnRecord,
    "reply": ReplyRecord,
    "approved": ApprovedRecord,
    "accepted": AcceptedRecord,
}


def _first_fault(error: ValidationError) -> str:
    """Put the first of pydantic's findings into one line."""
    first = error.errors()[0]
    where = ".".join(str(step) for step in first["loc"])
    return shown(f"{where}: {first['msg']}" if where else re.sub("^Value error, ", "", first["msg"]))


def read_revision(document: Any, *, what: str) -> RevisionManifest:
    """Read a revision's manifest from parsed JSON.

    Raises:
        BadManifestError: not a revision manifest of a known format, or unsafe names.
    """
    return _read(RevisionManifest, document, what)


def read_package(document: Any, *, what: str) -> PackageManifest:
    """Read a package's manifest from parsed JSON.

    Raises:
        BadManifestError: not a package manifest of a known format, or unsafe names.
    """
    return _read(PackageManifest, document, what)


def read_record(document: Any, *, what: str) -> Record:
    """Read a record from parsed JSON.

    Raises:
        BadManifestError: not a record of a known format.
    """
    kind = document.get("type") if isinstance(document, dict) else None
    return _read(_RECORDS.get(str(kind), OtherRecord), document, what)


_Model = TypeVar("_Model", bound=Signed)


def _read(model: type[_Model], document: Any, what: str) -> _Model:
    try:
        found = model.model_validate(document, strict=True)
        if "type" not in found.model_fields_set:  # it has a default for whoever writes one
            raise BadManifestError(f"{what} does not say of which type it is", hint=_HINT)
        return found
    except ValidationError as error:
        raise BadManifestError(f"{what} cannot be used: {_first_fault(error)}", hint=_HINT) from error


_HINT = "Get a fresh copy from the sender; if it stays, a newer relkit may know this format."


def as_document(model: Signed) -> dict[str, Any]:
    """Return a model as JSON-ready values; what is None or unset stays visible as null."""
    return model.model_dump(mode="json")
