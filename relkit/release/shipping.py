"""``ship`` to several: by name, to a whole kind, or to whoever is owed something.

Everybody gets a shipment of their own, one after the other. A fault that stops
one of them is kept beside their name and does not stop the rest.

Not here: one shipment (``ship``), who is owed something (``shipments``).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeVar

from relkit.errors import FoundError, RelkitError, UsageError
from relkit.filenames import shown
from relkit.manifest import Gate
from relkit.release.estimating import ExpectedFile, expected_files
from relkit.release.packaging import sheet_of
from relkit.release.recipients import AddressBook
from relkit.release.remarks import Remark
from relkit.release.ship import Order, ShipReport, prepare, ship
from relkit.release.shipments import Filter, Holding, shipments
from relkit.release.workspace import Workspace
from relkit.vocabulary.recipients import RecipientKind

if TYPE_CHECKING:
    from relkit.release.package_files import Form
    from relkit.release.scanning import Progress


@dataclass(frozen=True)
class Address:
    """Somebody who is to get a package.

    Attributes:
        who: name or id, as ``ship`` takes it.
        shown: what to call them.
        order: what they get.
        why_not: why there is nothing to send them.
    """

    who: str
    shown: str
    order: Order
    why_not: RelkitError | None = None


@dataclass(frozen=True)
class Preview:
    """What a shipment would be.

    Attributes:
        gates: what stands in the way.
        is_stopped: whether it would, since no reason was given.
    """

    recipient: str
    kind: str
    revision: int
    versions: list[str]
    formats: list[str]
    form: str
    files: list[ExpectedFile]
    gates: list[Gate]
    remarks: list[Remark]
    is_stopped: bool = False

    @property
    def about_bytes(self) -> int:
        """Size of all files together."""
        return sum(file.about_bytes for file in self.files)


@dataclass(frozen=True)
class Fault:
    """Why somebody got nothing."""

    recipient: str
    fault: str
    hint: str
    exit_code: int


_Done = TypeVar("_Done", ShipReport, Preview)


@dataclass(frozen=True)
class Round:
    """What came of several shipments.

    Attributes:
        shipped: those that went.
        previews: those that would, in a dry run.
        faults: those that did not or would not.
    """

    shipped: list[ShipReport] = field(default_factory=list)
    previews: list[Preview] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0 if everybody got or would get theirs, else the highest among the faults."""
        stopped = FoundError.exit_code if any(each.is_stopped for each in self.previews) else 0
        return max((fault.exit_code for fault in self.faults), default=stopped)


def named(recipients: Sequence[str], order: Order) -> list[Address]:
    """Return the addresses of people by name; a name that is said twice counts once."""
    return [Address(name, name, order) for name in dict.fromkeys(recipients)]


def of_kind(workspace: Workspace, kind: str, order: Order) -> list[Address]:
    """Return everybody of a kind in the address book.

    Raises:
        UsageError: no such kind, or nobody of it.
    """
    kinds = [known.value for known in RecipientKind]
    if kind not in kinds:
        raise UsageError(f"the kind {shown(kind)} is not known", hint=f"Use one of {', '.join(kinds)}.")
    found = [each for each in AddressBook(workspace.home.folder).everybody() if each.kind == kind]
    if not found:
        raise UsageError(
            f"nobody in the address book is {RecipientKind(kind).one}",
            hint="relkit recipients list shows everybody.",
        )
    return [Address(each.id, each.name, order) for each in found]


def owed(workspace: Workspace, order: Order, *, kind: str | None = None) -> list[Address]:
    """Return whoever holds what is outdated: they get the same versions and formats again, as they are now.

    Args:
        order: what is said of formats or form here goes before what they hold.
        kind: only these.
    """
    holdings = shipments(workspace, Filter(outdated=True, kind=kind)).holdings
    known = {each.id for each in AddressBook(workspace.home.folder).everybody()}
    return [
        Address(
            each.recipient_id,
            each.recipient,
            _same_again(each, order),
            _nothing_for(each, is_known=each.recipient_id in known),
        )
        for each in holdings
    ]


def ship_round(
    workspace: Workspace,
    addresses: Sequence[Address],
    *,
    kind: str | None = None,
    another: bool = False,
    progress: Progress | None = None,
) -> Round:
    """Ship to everybody, one after the other; each package lies in a folder of its own.

    Raises:
        OSError: the disk is full or may not be written to, so that nobody else would get anything either.
    """

    def send(address: Address) -> ShipReport:
        order = replace(address.order, apart=True)
        return ship(workspace, address.who, order, kind=kind, another=another, progress=progress)

    shipped, faults = _each(addresses, send)
    return Round(shipped=shipped, faults=faults)


def preview_round(
    workspace: Workspace, addresses: Sequence[Address], *, kind: str | None = None, another: bool = False
) -> Round:
    """Say what everybody would get; nothing is encoded, written or recorded."""

    def look(address: Address) -> Preview:
        ready = prepare(workspace, address.who, address.order, kind=kind, another=another)
        return Preview(
            recipient=ready.recipient.name,
            kind=ready.recipient.kind,
            revision=ready.source.manifest.revision,
            versions=[version.id for version in ready.wants.versions],
            formats=list(ready.wants.formats),
            form=ready.form,
            files=expected_files(sheet_of(workspace, ready.source), ready.source, ready.wants),
            gates=ready.closed,
            remarks=ready.remarks,
            is_stopped=bool(ready.closed) and not ready.reason,
        )

    previews, faults = _each(addresses, look)
    return Round(previews=previews, faults=faults)


def _each(addresses: Sequence[Address], act: Callable[[Address], _Done]) -> tuple[list[_Done], list[Fault]]:
    """Do something for everybody, and keep what went wrong for whom."""
    done: list[_Done] = []
    faults: list[Fault] = []
    for address in addresses:
        try:
            if address.why_not is not None:
                raise address.why_not
            done.append(act(address))
        except RelkitError as error:
            faults.append(Fault(address.shown, str(error), error.hint, error.exit_code))
    return done, faults


def _same_again(holding: Holding, order: Order) -> Order:
    """Return an order for what somebody holds, as far as the newest revision still has it."""
    form: Form = "zip" if holding.form == "zip" else "folder"
    return replace(
        order,
        only=[version for version in holding.versions if version not in holding.gone],
        formats=order.formats or holding.formats,
        form=order.form or form,
    )


def _nothing_for(holding: Holding, *, is_known: bool) -> RelkitError | None:
    """Say why somebody who is owed something cannot get it."""
    if not is_known:
        return UsageError(
            f"{shown(holding.recipient)} is not in the address book any more",
            hint="Ship to them by name, with --kind; or take back what they hold with relkit withdraw.",
        )
    if not set(holding.versions) - set(holding.gone):
        return UsageError(
            f"the newest revision has nothing of what {shown(holding.recipient)} holds",
            hint="Tell them; or ship something else to them by name.",
        )
    return None
