"""Trusted signers: the file's form, who is trusted for what, and changing the list."""

from __future__ import annotations

import base64
import inspect
import os
import pickle
import stat
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest
from filelock import FileLock
from hypothesis import given
from hypothesis import strategies as st

from relkit.errors import RelkitError
from relkit.trust import canonical, keys, public_key, signers, sshsig
from relkit.trust.allowed_signers import Entry, Ignored, matches, parse_line
from relkit.trust.keys import SigningKey
from relkit.trust.signers import (
    AlreadyTrustedError,
    BadSignersFileError,
    NoSuchSignerError,
    SignerNameError,
    SignersBusyError,
    TrustedSigners,
    UnknownSignerError,
    principal_name,
)
from relkit.trust.sshsig import sign
from tests.support.ssh_tools import ssh_keygen

MANIFEST = "manifest@relkit.example"
KEY = SigningKey.from_seed(b"a" * 32)
OTHER = SigningKey.from_seed(b"b" * 32)
LINE = KEY.public.line
NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the list lies, or will."""
    return tmp_path / "allowed_signers"


@pytest.fixture
def _zone() -> Iterator[None]:
    """A machine in New York."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = "America/New_York"
    time.tzset()
    yield
    os.environ.pop("TZ") if before is None else os.environ.__setitem__("TZ", before)
    time.tzset()


def _stock_accepts(folder: Path, line: str, *, principal: str = "me", namespace: str = "git") -> bool:
    """Whether ``ssh-keygen -Y verify`` accepts our signature on the strength of one line, at NOW."""
    (folder / "list").write_text(f"{line}\n", "utf-8")
    (folder / "m.sig").write_text(sign(b"m", KEY, namespace))
    command = ("-Y", "verify", "-f", "list", "-I", principal, "-n", namespace, "-s", "m.sig")
    return (
        ssh_keygen(*command, "-O", f"verify-time={NOW:%Y%m%d%H%M%S}Z", folder=folder, message=b"m").returncode
        == 0
    )


def _we_accept(line: str, *, namespace: str = "git") -> bool:
    """Whether the line is read, is used, and sets no limit against the signature."""
    try:
        entry = parse_line(line, 1)
    except ValueError:
        return False
    return isinstance(entry, Entry) and entry.limit_against(namespace, NOW) is None


# -- the form of a line ------------------------------------------------------

LINES = [
    f"me {LINE}",
    f" \tme\t{LINE} a comment  here ",
    f"me {LINE}\r",
    f"me {LINE.replace(' ', '   ')}",
    f'"me" {LINE}',
    f'm"e" {LINE}',
    f'"a b,me" {LINE}',
    f'"me"x {LINE}',
    f'"me {LINE}',
    f"you,m* {LINE}",
    f"# me {LINE}",
    "",
    "me",
    "me ssh-ed25519",
    f"me{LINE}",
    f"!you {LINE}",
    f"me {LINE}=",
    f"me {LINE[:-4]}",
    f"me {LINE[:-1]}!",
    *(
        f"me {options} {LINE}"
        for options in (
            'namespaces="git"',
            'NameSpaces="git"',
            'namespaces="x,git"',
            'namespaces="g?t"',
            'namespaces="*"',
            'namespaces="x"',
            'namespaces="!git,*"',
            'namespaces="*,!git"',
            'namespaces="!x"',
            'namespaces=""',
            'namespaces="GIT"',
            "namespaces=git",
            "namespaces",
            'namespaces="git',
            'namespaces="git\\"',
            'namespaces="git\\",git"',
            'namespaces="git",',
            'namespaces="git",namespaces="git"',
            'namespaces="git" valid-after="20200101"',
            'namespaces="git",valid-after="20200101",valid-before="20300101"',
            'valid-after="20260301"',
            'valid-after="20260301Z"',
            'valid-after="20260301UTC"',
            'valid-after="202603011159Z"',
            'valid-after="202603011200Z"',
            'valid-after="202603011201Z"',
            'valid-after="20260301120000Z"',
            'valid-after="20260301120001Z"',
            'valid-before="20260301115959Z"',
            'valid-before="20260301120000Z"',
            'valid-before="20260302"',
            'valid-before="20260301"',
            'valid-after="20260301",valid-before="20260301"',
            'valid-after="2026030112"',
            'valid-after="20261301"',
            'valid-after="yesterday"',
            'valid-after=""',
            "valid-after=20260101",
            'valid-after="20200101",valid-after="20200101"',
            "cert-authority",
            'cert-authority="x"',
            "no-touch-required",
            'from="10.0.0.1"',
        )
    ),
]


@pytest.mark.parametrize("line", LINES)
def test_a_line_counts_where_stock_ssh_keygen_lets_it_count(tmp_path: Path, line: str) -> None:
    """ssh-keygen(1), ALLOWED SIGNERS: quoting, options, limits; the judge runs in UTC."""
    assert _we_accept(line) == _stock_accepts(tmp_path, line)


@pytest.mark.parametrize(
    "line",
    [
        f",me {LINE}",
        f"me, {LINE}",
        f"me,! {LINE}",
        f"me\u200b,me {LINE}",
        f'me valid-after="20200230" {LINE}',
        f'me ,namespaces="git" {LINE}',
        f'me namespaces="git",,valid-after="20200101" {LINE}',
    ],
)
def test_where_we_are_stricter_than_stock_ssh_keygen(tmp_path: Path, line: str) -> None:
    """Empty or invisible names, days that do not exist, stray commas: slips are named, not guessed."""
    assert _stock_accepts(tmp_path, line)
    with pytest.raises(ValueError, match=r"is empty|invisible|no day and time|cannot be read"):
        parse_line(line, 1)


@pytest.mark.usefixtures("_zone")
def test_a_time_without_z_means_the_zone_of_the_machine() -> None:
    """ssh-keygen(1): times are in the local zone unless Z stands behind them."""
    entry = parse_line(f'me valid-after="202603010700",valid-before="202607010800" {LINE}', 1)
    assert isinstance(entry, Entry)
    assert entry.valid_after == datetime(2026, 3, 1, 12, tzinfo=UTC)  # winter: UTC-5
    assert entry.valid_before == datetime(2026, 7, 1, 12, tzinfo=UTC)  # summer: UTC-4


@pytest.mark.parametrize(
    ("patterns", "text", "expected"),
    [
        ("a.b", "axb", False),
        ("a[b]", "ab", False),
        ("a[b]", "a[b]", True),
        ("*", "", True),
        ("a*c", "abbc\n", False),
        ("?", "", False),
        ("a,b", "b", True),
        ("!b,*", "b", False),
        ("*,!b", "b", False),
        ("!b", "a", False),
    ],
)
def test_patterns_know_star_question_mark_and_negation_only(patterns: str, text: str, expected: bool) -> None:
    """ssh_config(5), PATTERNS."""
    assert matches(patterns, text) is expected


@given(st.text())
def test_any_line_is_read_or_refused(text: str) -> None:
    """No other error escapes."""
    for line in (text, f"me {text}", f"me {text} {LINE}", f"{text} {LINE}"):
        try:
            parsed = parse_line(line, 7)
        except ValueError:
            continue
        assert parsed is None or parsed.line_number == 7


# -- who is trusted ----------------------------------------------------------


def test_a_missing_list_trusts_nobody(path: Path) -> None:
    """Exit 5; the hint says how to trust the key, after asking."""
    with pytest.raises(UnknownSignerError) as caught:
        TrustedSigners.read(path).principal_of(KEY.public, MANIFEST, NOW)
    assert caught.value.exit_code == 5
    assert KEY.public.fingerprint in str(caught.value)
    assert f'relkit signer trust "{LINE}" --name NAME' in caught.value.hint
    assert not path.exists()


def test_comments_blank_lines_and_other_keys_stand_beside_trusted_ones(path: Path) -> None:
    """One file for Git and relkit; what is left out has a reason."""
    path.write_text(
        f"# studio\n\n*@studio.example cert-authority {OTHER.public.line}\nbob ssh-rsa AAAAB3NzaC1yc2E=\n"
        f"lea,leah {LINE} laptop\r\n   # end"
    )
    listed = TrustedSigners.read(path)
    assert listed.principal_of(KEY.public, MANIFEST, NOW) == "lea"
    assert [(each.line_number, each.name, each.comment) for each in listed.entries] == [(5, "lea", "laptop")]
    assert listed.ignored == (
        Ignored(3, "certificate authorities are not supported"),
        Ignored(4, "ssh-rsa keys are not supported, only ssh-ed25519"),
    )
    with pytest.raises(UnknownSignerError):
        listed.principal_of(OTHER.public, MANIFEST, NOW)


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        ('namespaces="git"', "only for namespaces git"),
        ('valid-after="20260302Z"', "only from 2026-03-02 00:00 UTC on"),
        ('valid-before="20260201Z"', "only until 2026-02-01 00:00 UTC"),
    ],
)
def test_a_limit_of_the_line_is_named(path: Path, options: str, reason: str) -> None:
    """The person reads why a key that is in the list does not count."""
    path.write_text(f"# first\nlea {options} {LINE}\n")
    with pytest.raises(UnknownSignerError, match=f"line 2 of the list trusts {reason}") as caught:
        TrustedSigners.read(path).principal_of(KEY.public, MANIFEST, NOW)
    assert KEY.public.fingerprint in str(caught.value)


def test_a_later_line_can_allow_what_an_earlier_one_does_not(path: Path) -> None:
    """The first line that allows it gives the name."""
    path.write_text(f'git-only namespaces="git" {LINE}\nlea {LINE}\n')
    assert TrustedSigners.read(path).principal_of(KEY.public, MANIFEST, NOW) == "lea"
    assert TrustedSigners.read(path).principal_of(KEY.public, "git", NOW) == "git-only"


def test_without_a_time_the_present_counts(path: Path) -> None:
    """As for ssh-keygen; and a time without a zone is the caller's mistake."""
    path.write_text(f'lea valid-before="20200101Z" {LINE}\n')
    listed = TrustedSigners.read(path)
    with pytest.raises(UnknownSignerError, match="only until 2020"):
        listed.principal_of(KEY.public, MANIFEST)
    assert listed.principal_of(KEY.public, MANIFEST, datetime(2019, 1, 1, tzinfo=UTC)) == "lea"
    with pytest.raises(ValueError, match="zone"):
        listed.principal_of(KEY.public, MANIFEST, datetime(2019, 1, 1))  # noqa: DTZ001  the mistake


def test_every_bad_line_is_named_and_nobody_is_trusted(path: Path) -> None:
    """A list that is half read would trust whom its owner excluded."""
    content = f"lea {LINE}\nbob colour=blue {LINE}\n\n".encode() + b"\xff\n" + f"\ufefftim {LINE}\n".encode()
    path.write_bytes(content)
    with pytest.raises(BadSignersFileError) as caught:
        TrustedSigners.read(path)
    assert [number for number, _ in caught.value.bad_lines] == [2, 4, 5]
    assert "line 2: " in str(caught.value)
    assert "\n" not in str(caught.value)
    with pytest.raises(BadSignersFileError):
        TrustedSigners(path).add("eva", OTHER.public)
    assert path.read_bytes() == content


def test_a_key_for_which_anybody_can_sign_cannot_be_listed(path: Path) -> None:
    """Its signatures would prove nothing."""
    neutral = SigningKey.from_seed(b"a" * 32).public.wire[:-32] + (1).to_bytes(32, "little")
    path.write_text(f"lea ssh-ed25519 {base64.b64encode(neutral).decode()}\n")
    with pytest.raises(BadSignersFileError, match=r"line 1: .*anybody can sign"):
        TrustedSigners.read(path)


# -- changing the list -------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "principal"),
    [
        ("lea", "lea"),
        ("Lea Sommer", "Lea-Sommer"),
        ("lea@studio.example", "lea@studio.example"),
        ("#1 mix", "1-mix"),
        ("!lea", "lea"),
        ("a*?b", "a-b"),
        ("a,b", "a-b"),
        ('say "hi"', "say-hi"),
        ("one\ntwo ssh-ed25519", "one-two-ssh-ed25519"),
        ("Zoe\u0308 \u9752", "Zo\u00eb-\u9752"),
        ("x\u202ey\u00a0z\x00", "x-y-z"),
        ("cert-authority", "cert-authority"),
        ("DJ 🎧", "DJ-🎧"),
    ],
)
def test_a_name_is_made_fit_and_stock_ssh_keygen_finds_it(
    tmp_path: Path, path: Path, name: str, principal: str
) -> None:
    """``-Y find-principals`` and ``-Y verify`` with our file, for names as people have them."""
    added = TrustedSigners.read(path).add(name, KEY.public, "her laptop", namespaces=["git", MANIFEST])
    assert added.name == principal
    assert TrustedSigners.read(path).principal_of(KEY.public, MANIFEST, NOW) == principal
    (tmp_path / "m.sig").write_text(sign(b"m", KEY, MANIFEST))
    found = ssh_keygen("-Y", "find-principals", "-f", path, "-s", "m.sig", folder=tmp_path)
    assert found.stdout.decode().rstrip("\n") == principal
    command = ("-Y", "verify", "-f", path, "-I", principal, "-s", "m.sig", "-n")
    assert ssh_keygen(*command, MANIFEST, folder=tmp_path, message=b"m").returncode == 0
    (tmp_path / "m.sig").write_text(sign(b"m", KEY, "elsewhere"))
    assert ssh_keygen(*command, "elsewhere", folder=tmp_path, message=b"m").returncode != 0


@pytest.mark.parametrize("name", ["", "  ", "#", "***", "\u200b", '",!'])
def test_a_name_with_nothing_in_it_is_refused(path: Path, name: str) -> None:
    """Exit 2, and the list stays as it is."""
    with pytest.raises(SignerNameError) as caught:
        TrustedSigners.read(path).add(name, KEY.public)
    assert caught.value.exit_code == 2
    assert not path.exists()


@given(st.text(), st.text())
def test_any_name_and_comment_make_one_line_for_this_key_only(name: str, comment: str) -> None:
    """Nothing that is typed can add a line, an option, a pattern or another name."""
    try:
        principal = principal_name(name)
    except SignerNameError:
        return
    entry = parse_line(f"{principal} {LINE} {signers._one_line(comment)}".rstrip(), 1)
    assert isinstance(entry, Entry)
    assert (entry.principals, entry.key, entry.namespaces) == ((principal,), KEY.public, None)
    assert principal_name(principal) == principal


def test_adding_keeps_every_other_byte(path: Path) -> None:
    """Comments, blank lines, carriage returns, a missing last line end."""
    before = f"# mine\r\n\n\tbob  {OTHER.public.line}   x\r\n# end".encode()
    path.write_bytes(before)
    path.chmod(0o640)
    TrustedSigners.read(path).add("lea", KEY.public, "two\nlines")
    assert path.read_bytes() == before + f"\nlea {LINE} two lines\n".encode()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_a_list_behind_a_link_stays_there(tmp_path: Path, path: Path) -> None:
    """People keep such files in another folder."""
    real = tmp_path / "elsewhere"
    real.write_text("# mine\n")
    path.symlink_to(real)
    TrustedSigners.read(path).add("lea", KEY.public)
    assert path.is_symlink()
    assert real.read_text() == f"# mine\nlea {LINE}\n"


def test_the_same_trust_twice_changes_nothing(path: Path) -> None:
    """And another name, or a limit, for a key that is there is refused."""
    listed = TrustedSigners.read(path)
    first = listed.add("lea", KEY.public, "a")
    once = path.read_bytes()
    assert listed.add("lea", KEY.public, "b") == first
    for name, namespaces in (("tim", ()), ("lea", ("git",))):
        with pytest.raises(AlreadyTrustedError, match="as lea in line 1"):
            listed.add(name, KEY.public, namespaces=namespaces)
    assert path.read_bytes() == once
    assert listed.add("lea", OTHER.public).line_number == 2  # a second machine of hers


def test_a_namespace_cannot_smuggle_an_option_in(path: Path) -> None:
    """The caller's mistake."""
    with pytest.raises(ValueError, match="namespace"):
        TrustedSigners.read(path).add("lea", KEY.public, namespaces=['git",cert-authority'])


def test_removing_by_name_by_fingerprint_and_one_of_several_names(path: Path) -> None:
    """Every other line stays; a line of several people keeps the others."""
    third = SigningKey.from_seed(b"c" * 32).public
    shared = f'namespaces="git" {third.line} shared\n'
    path.write_text(f'# mine\nlea {LINE} laptop\nlea {OTHER.public.line}\n"lea,jo ann" {shared}')
    listed = TrustedSigners.read(path)
    assert [each.line_number for each in listed.remove(KEY.public.fingerprint)] == [2]
    assert [each.line_number for each in listed.remove("lea")] == [2, 3]
    assert path.read_text() == f'# mine\n"jo ann" {shared}'
    assert listed.principal_of(third, "git", NOW) == "jo ann"
    assert len(listed.remove("jo ann")) == 1
    assert path.read_text() == "# mine\n"
    with pytest.raises(NoSuchSignerError, match="'lea'") as caught:
        listed.remove("lea")
    assert caught.value.hint == "The list is empty."


def test_the_hint_for_an_unknown_name_lists_the_known_ones(path: Path) -> None:
    """A slip of the finger is seen at once; exit 2."""
    listed = TrustedSigners.read(path)
    listed.add("lea", KEY.public)
    listed.add("bob", OTHER.public)
    with pytest.raises(NoSuchSignerError) as caught:
        listed.remove("bop")
    assert caught.value.hint == "These are trusted: bob, lea."
    assert caught.value.exit_code == 2


def test_many_writers_at_once_lose_nothing(path: Path) -> None:
    """Each reads the list again under the lock."""
    everyone = [SigningKey.from_seed(bytes([number]) * 32).public for number in range(24)]
    stale = [TrustedSigners.read(path) for _ in everyone]

    def add(number: int) -> None:
        stale[number].add(f"n{number}", everyone[number])

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(add, range(24)))
    listed = TrustedSigners.read(path)
    assert {listed.principal_of(key, MANIFEST, NOW) for key in everyone} == {f"n{n}" for n in range(24)}
    assert {each.name for each in path.parent.iterdir()} <= {path.name, f"{path.name}.lock"}


def test_a_list_that_somebody_else_is_changing_is_busy(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit 6 after a while."""
    monkeypatch.setattr(signers, "_LOCK_WAIT_S", 0.05)
    with FileLock(f"{path}.lock"), pytest.raises(SignersBusyError) as caught:
        TrustedSigners.read(path).add("lea", KEY.public)
    assert caught.value.exit_code == 6


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_full_disk_leaves_the_list_as_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """Whole or not at all, wherever it fails."""
    listed = TrustedSigners.read(path)
    listed.add("lea", KEY.public)
    before = path.read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    owner: object = os if step == "fsync" else Path
    monkeypatch.setattr(owner, step, full)
    with pytest.raises(OSError, match="No space left"):
        listed.add("bob", OTHER.public)
    assert path.read_bytes() == before
    assert not list(path.parent.glob(".*.part"))


# -- the errors of this room -------------------------------------------------

EXAMPLES: list[RelkitError] = [
    canonical.BadJsonError("manifest.json", "reason"),
    sshsig.BadSignatureError("manifest.json.sig", "reason"),
    public_key.BadPublicKeyError("reason"),
    keys.KeyMissingError(Path("k")),
    keys.KeyOpenToOthersError(Path("k"), 0o644),
    keys.KeyUnusableError(Path("k"), "reason"),
    keys.KeyExistsError(Path("k")),
    keys.PassphraseError(Path("k"), "reason", hint="hint"),
    BadSignersFileError(Path("s"), [(1, "reason")]),
    UnknownSignerError(KEY.public, "fault", hint="hint"),
    AlreadyTrustedError(Path("s"), Entry(1, ("lea",), KEY.public)),
    NoSuchSignerError("lea", ["bob"]),
    SignerNameError("***"),
    SignersBusyError(Path("s")),
]


def test_the_examples_are_all_errors_of_this_room() -> None:
    """A new one must join them."""
    rooms = (canonical, sshsig, public_key, keys, signers)
    found = {
        each
        for room in rooms
        for _, each in inspect.getmembers(room, inspect.isclass)
        if issubclass(each, RelkitError) and each.__module__ == room.__name__
    }
    assert {type(each) for each in EXAMPLES} == found


@pytest.mark.parametrize("error", EXAMPLES, ids=[type(each).__name__ for each in EXAMPLES])
def test_an_error_survives_the_border_of_a_process(error: RelkitError) -> None:
    """Fault, hint and attributes; each of fault and hint is one line."""
    again = pickle.loads(pickle.dumps(error))  # noqa: S301  made on the line itself
    assert type(again) is type(error)
    assert str(again) == str(error)
    assert vars(again) == vars(error)
    assert "\n" not in str(error) + error.hint
