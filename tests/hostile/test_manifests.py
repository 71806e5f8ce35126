"""Manifests and records that are properly signed and mean harm.

Each is signed once by a key that is trusted (a stolen key, a friend with a broken
program) and once by a stranger. Only declared errors may come of it, and nothing
may ever be written outside the target folder.
"""

from __future__ import annotations

import copy
import random
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from relkit.errors import DamagedError, RelkitError
from relkit.pack.layout import MANIFEST
from relkit.release.verify import PackageFaultsError, verify
from relkit.trust.canonical import canonical_bytes
from relkit.trust.keys import SigningKey
from relkit.trust.sshsig import Signer
from tests.support.tiny_release import (
    Tiny,
    document,
    forged_package,
    forged_revision,
    forged_shipment,
)

UNSAFE = {
    "climbs": "../../evil",
    "climbs inside": "WAV/../../evil",
    "is absolute": "/var/tmp/evil",  # noqa: S108 - must never be written
    "climbs with backslashes": "..\\..\\evil",
    "has a drive": "C:evil",
    "has a drive and a root": "C:\\evil",
    "is a network share": "\\\\server\\share",
    "is a stream": "song.wav:evil",
    "is reserved": "con",
    "is reserved with an ending": "WAV/NUL.wav",
    "is reserved with a superscript": "COM\u00b9.wav",
    "has an empty component": "WAV//evil",
    "is empty": "",
    "is a dot": "WAV/./evil",
    "ends in a slash": "WAV/",
    "ends in a dot": "evil.",
    "ends in a space": "WAV /evil",
    "has a zero byte": "ev\0il",
    "has a line end": "evil\nsecond",
    "has an escape sequence": "evil\x1b[2J",
    "has a bidi mark": "evil\u202egpj.exe",
    "has a line separator": "evil\u2028",
    "is very long": "x" * 300,
    "is very deep": "a/" * 5000 + "x",
    "is obeyed by Git": ".git/config",
    "is obeyed by Git in any case": "WAV/.GIT/hooks/post-checkout",
    "is the store": ".relkit/store.git/HEAD",
}
TWINS = {
    "the same twice": ("WAV/a.wav", "WAV/a.wav"),
    "case": ("WAV/a.wav", "WAV/A.wav"),
    "case of folders": ("WAV/a.wav", "wav/b.wav"),
    "Unicode form": ("\u00e9.wav", "e\u0301.wav"),
    "case and form": ("\u00c9.wav", "e\u0301.wav"),
    "sharp s": ("stra\u00dfe.wav", "STRASSE.wav"),
    "file and folder": ("WAV", "WAV/a.wav"),
    "folder and file": ("WAV/a.wav", "wav"),
}
Change = Callable[[dict[str, Any]], None]


def renamed(*names: str) -> Change:
    """Give the first files these names."""

    def change(manifest: dict[str, Any]) -> None:
        for entry, name in zip(manifest["files"], names, strict=False):
            entry["name"] = name

    return change


def put(value: Any, *path: str | int) -> Change:
    """Put a value somewhere."""

    def change(manifest: dict[str, Any]) -> None:
        place: Any = manifest
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = value

    return change


def without(*path: str | int) -> Change:
    """Take a field away."""

    def change(manifest: dict[str, Any]) -> None:
        place: Any = manifest
        for step in path[:-1]:
            place = place[step]
        del place[path[-1]]

    return change


def deep(levels: int) -> Any:
    """Return lists in lists."""
    made: Any = []
    for _ in range(levels):
        made = [made]
    return made


MALFORMED: dict[str, Change] = {
    **{f"a name that {why}": renamed(name) for why, name in UNSAFE.items()},
    **{f"twins: {why}": renamed(*names) for why, names in TWINS.items()},
    "a size that is negative": put(-1, "files", 0, "size_bytes"),
    "a size beyond doubles": put(2**53, "files", 0, "size_bytes"),
    "a size with a fraction": put(10.5, "files", 0, "size_bytes"),
    "a size as text": put("10", "files", 0, "size_bytes"),
    "a size that is true": put(True, "files", 0, "size_bytes"),
    "a digest in capitals": put("A" * 64, "files", 0, "sha256"),
    "a digest that is too short": put("a" * 63, "files", 0, "sha256"),
    "a digest with a line end": put("a" * 64 + "\n", "files", 0, "sha256"),
    "a digest that climbs": put("../" * 21 + "a", "files", 0, "sha256"),
    "no files field": without("files"),
    "files that are no list": put({"0": {}}, "files"),
    "an entry that is no object": put(["x"], "files"),
    "another format": put(2, "format"),
    "a format as text": put("1", "format"),
    "a format that is true": put(True, "format"),
    "no type": without("type"),
    "the type of a record": put("shipped", "type"),
    "revision zero": put(0, "revision"),
    "a revision beyond counting": put(2**40, "revision"),
    "a release id that climbs": put("../" * 10 + "aa", "release_id"),
    "a month that does not exist": put("2031-13-01T00:00:00+00:00", "recorded_at"),
    "a day that does not exist": put("2031-02-30T00:00:00+00:00", "recorded_at"),
    "an hour that does not exist": put("2031-02-03T25:00:00+00:00", "recorded_at"),
    "a leap second": put("2031-06-30T23:59:60+00:00", "recorded_at"),
    "the year nought": put("0000-01-01T00:00:00+00:00", "recorded_at"),
    "digits of another script": put("\uff12\uff10\uff13\uff11-01-01T00:00:00+00:00", "recorded_at"),
    "another zone": put("2031-01-01T00:00:00+01:00", "recorded_at"),
}
PACKAGES_ONLY: dict[str, Change] = {
    **{f"a package name that {why}": put(name, "name") for why, name in UNSAFE.items()},
    "a package name with a separator": put("a/b", "name"),
    "a file in place of the proof": renamed("proof/manifest.json"),
    "a file beside the proof": renamed("proof/more"),
    "the proof in another case": renamed("Proof/manifest.json"),
    "a file named proof": renamed("proof"),
    "a digest of no revision": put("x", "of_revision"),
}


@pytest.fixture(params=["trusted", "stranger"])
def signer(request: pytest.FixtureRequest, tiny: Tiny, stranger: SigningKey) -> Signer:
    """Who signs the malicious thing."""
    return tiny.home.signing_key() if request.param == "trusted" else stranger


def everything_outside_the_store(tiny: Tiny) -> dict[Path, bytes]:
    """Return every file beside and above the release, also hidden ones."""
    return {
        path: path.read_bytes()
        for path in tiny.root.parent.rglob("*")
        if path.is_file() and ".relkit" not in path.parts
    }


@pytest.mark.parametrize("attack", [*MALFORMED, *PACKAGES_ONLY])
def test_verify_refuses_a_malformed_manifest(tiny: Tiny, signer: Signer, tmp_path: Path, attack: str) -> None:
    """As damaged, exit 4, before it looks at a single name on the disk."""
    manifest = document(tiny.shipments[0].package)
    (MALFORMED | PACKAGES_ONLY)[attack](manifest)
    package = forged_package(manifest, {}, signer, tmp_path / "package")
    with pytest.raises(DamagedError) as caught:
        verify(package, tiny.home)
    assert len(str(caught.value)) < 1000
    assert str(caught.value).isprintable()


def test_checkout_of_a_store_with_a_malicious_manifest_writes_nothing(tiny: Tiny, signer: Signer) -> None:
    """Every attack once as a revision and once as a shipped package."""
    target = tiny.root / "out"
    target.mkdir()
    before = everything_outside_the_store(tiny)
    newest, shipped = _newest_document(tiny), document(tiny.shipments[0].package)
    for number, (attack, change) in enumerate([*MALFORMED.items(), *PACKAGES_ONLY.items()]):
        if attack in MALFORMED:
            manifest = copy.deepcopy(newest) | {"revision": 4}
            change(manifest)
            with forged_revision(tiny, manifest, signer):
                _refuses(partial(tiny.checkout, "newest", target), attack)
                if number % 10 == 0:
                    _refuses(tiny.audit, attack)
        manifest = copy.deepcopy(shipped)
        change(manifest)
        with forged_shipment(tiny, manifest, signer) as shipment:
            _refuses(partial(tiny.checkout_shipment, shipment, target), attack)
            _refuses(partial(tiny.checkout_shipment, shipment, target, form="zip"), attack)
            if number % 10 == 0:
                _refuses(tiny.audit, attack)
    assert list(target.iterdir()) == []
    assert everything_outside_the_store(tiny) == before
    assert not Path(UNSAFE["is absolute"]).exists()


def _refuses(act: Callable[[], object], attack: str = "") -> None:
    """Do it, and expect a declared error."""
    code = 0
    try:
        act()
    except RelkitError as error:
        code = error.exit_code
    assert code in {4, 5}, attack


def _newest_document(tiny: Tiny) -> dict[str, Any]:
    with tiny.open() as release:
        newest = release.history().events
    return document(next(event.revision for event in newest if event.revision is not None))


TEXTS = {
    "no JSON": b"{",
    "nothing": b"",
    "JSON that is no object": b"[]",
    "a byte order mark": b"\xef\xbb\xbf{}",
    "no UTF-8": b'{"a":"\xff"}',
    "a duplicate name": b'{"format":1,"format":1}',
    "half a surrogate pair": b'{"a":"\\ud800"}',
    "not a number": b'{"a":NaN}',
    "infinity": b'{"a":1e999}',
    "an endless integer": b'{"a":' + b"9" * 10_000 + b"}",
    "deep lists": b"[" * 100_000 + b"]" * 100_000,
    "deep objects": b'{"a":' * 50_000 + b"1" + b"}" * 50_000,
    "white space": b"{ }",
    "more than the limit": b'{"a":"' + b"x" * (17 * 2**20) + b'"}',
}


@pytest.mark.parametrize("text", TEXTS)
def test_manifests_that_are_no_strict_json(tiny: Tiny, signer: Signer, tmp_path: Path, text: str) -> None:
    """In a package, in a revision, in a shipped package; depth takes neither stack nor time."""
    begun = time.process_time()
    package = forged_package(TEXTS[text], {}, signer, tmp_path / "package")
    with pytest.raises(DamagedError):
        verify(package, tiny.home)
    target = tmp_path / "out"
    with forged_shipment(tiny, TEXTS[text], signer) as shipment:
        _refuses(lambda: tiny.checkout_shipment(shipment, target))
    with forged_revision(tiny, TEXTS[text], signer):
        _refuses(lambda: tiny.checkout("newest", target))
        _refuses(tiny.audit)
    assert not target.exists()
    assert time.process_time() - begun < 5


def test_unknown_fields_of_any_depth_are_taken_up_to_the_limit(tiny: Tiny, tmp_path: Path) -> None:
    """A later version may add fields; 64 levels are the limit of any stored JSON."""
    manifest = document(tiny.shipments[0].package) | {"files": [], "later": deep(60)}
    package = forged_package(manifest, {}, tiny.home.signing_key(), tmp_path / "a")
    assert verify(package, tiny.home).manifest.model_extra == {"later": deep(60)}
    deeper = b'{"a":' + b"[" * 70 + b"]" * 70 + b"}"
    with pytest.raises(PackageFaultsError) as caught:
        verify(forged_package(deeper, {}, tiny.home.signing_key(), tmp_path / "b"), tiny.home)
    assert "levels deep" in caught.value.bad[MANIFEST]


def test_a_manifest_of_very_many_files_takes_bounded_time(tiny: Tiny, signer: Signer, tmp_path: Path) -> None:
    """30,000 entries in folders are read; what has more than 16 MB is not even parsed."""
    entry = document(tiny.shipments[0].package)["files"][0]
    short = {key: entry[key] for key in ("role", "size_bytes", "sha256", "xxh3_128")}
    many = [short | {"name": f"a/b/c/d/{number}"} for number in range(30_000)]
    manifest = document(tiny.shipments[0].package) | {"files": many}
    package = forged_package(manifest, {}, signer, tmp_path / "package")
    begun = time.process_time()
    with pytest.raises(PackageFaultsError) as caught:
        verify(package, tiny.home)
    assert len(caught.value.missing) == 30_000
    assert time.process_time() - begun < 15
    one = canonical_bytes(short | {"name": "x"})
    text = (
        b'{"files":[' + b",".join(one.replace(b'"x"', b'"%d"' % number) for number in range(100_000)) + b"]}"
    )
    begun = time.process_time()
    with pytest.raises(PackageFaultsError) as caught:
        verify(forged_package(text, {}, signer, tmp_path / "larger"), tiny.home)
    assert "large" in caught.value.bad[MANIFEST]
    assert time.process_time() - begun < 1


def test_gigantic_sizes_are_compared_and_not_believed(tiny: Tiny, signer: Signer, tmp_path: Path) -> None:
    """The largest size that can be signed: no memory is taken, no disk filled."""
    manifest = document(tiny.shipments[0].package)
    for entry in manifest["files"]:
        entry["size_bytes"] = 2**53 - 1
    package = forged_package(manifest, {e["name"]: b"x" for e in manifest["files"]}, signer, tmp_path / "p")
    with pytest.raises(DamagedError, match="changed"):
        verify(package, tiny.home)
    with forged_shipment(tiny, manifest, signer) as shipment:
        _refuses(lambda: tiny.checkout_shipment(shipment, tmp_path / "out"))
        _refuses(lambda: tiny.checkout_shipment(shipment, tmp_path / "out", form="zip"))
    assert not [path for path in (tmp_path / "out").rglob("*") if path.is_file()]


def test_random_changes_to_a_manifest_raise_declared_errors_only(tiny: Tiny, tmp_path: Path) -> None:
    """Values of other types anywhere, signed by the trusted key."""
    rng = random.Random(11)
    values: list[Any] = [None, True, 0, -1, 1.5, "", "x", "\U0001f3a7", [], {}, [None], {"a": 1}, 2**53]
    key, home = tiny.home.signing_key(), tiny.home
    for number in range(300):
        manifest = document(tiny.shipments[0].package)
        for _ in range(rng.randrange(1, 3)):
            _mutate(manifest, rng, values)
        package = forged_package(manifest, {}, key, tmp_path / str(number))
        with pytest.raises(DamagedError):
            verify(package, home)


def _mutate(value: Any, rng: random.Random, values: list[Any]) -> None:
    """Replace something somewhere inside."""
    steps = list(value) if isinstance(value, dict) else list(range(len(value)))
    if not steps:
        return
    step = rng.choice(steps)
    if isinstance(value[step], (dict, list)) and value[step] and rng.random() < 0.7:
        _mutate(value[step], rng, values)
    else:
        value[step] = copy.deepcopy(rng.choice(values))
