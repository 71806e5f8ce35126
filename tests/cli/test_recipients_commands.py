"""Recipients, replies, shipments and history as commands: what they print, and how they end."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from tests.support.releases import Command, music, recorded, wav, written


@pytest.fixture
def sent(relkit: Command) -> Command:
    """Two recipients who hold revision 1."""
    relkit.done("recipients", "add", "Ixby Marrowlet", "--kind", "club-dj", "--format", "wav-native")
    relkit.done("recipients", "add", "Radio Tarnquell", "--kind", "radio-programme", "--format", "wav-native")
    relkit.done("ship", "Ixby Marrowlet", "Radio Tarnquell")
    return relkit


def test_the_address_book(relkit: Command) -> None:
    """Add, list, edit, remove; contacts stay in the user's folder."""
    made = relkit.json("recipients", "add", "Ola", "--kind", "remixer", "--contact", "ola@mail.example")
    assert "Ola" in relkit.done("recipients", "list")
    assert "ola@mail.example" in relkit.done("recipients", "list")
    relkit.refused(2, "recipients", "add", "ola", "--kind", "remixer")
    relkit.done("recipients", "add", "Ola", "--kind", "label", "--another")
    assert "2 recipients are called Ola" in relkit.refused(2, "recipients", "edit", "Ola", "--kind", "sync")
    relkit.done("recipients", "edit", made["id"][:8], "--name", "Ola F", "--must-remove", "brands", "--zip")
    (row,) = [each for each in relkit.json("recipients", "list") if each["id"] == made["id"]]
    assert (row["name"], row["must_remove"], row["form"], row["contact"]) == (
        "Ola F",
        ["brands"],
        "zip",
        "ola@mail.example",
    )
    relkit.done("recipients", "remove", "Ola F")
    assert "nobody is called Ola F" in relkit.refused(2, "recipients", "remove", "Ola F")
    for wrong in (
        ["--kind", "dj"],
        ["--format", "ogg"],
        ["--version", "Not An Id"],
        ["--must-remove", "everything"],
        ["--format", "wav", "--format", "wav-radio"],
    ):
        kind = [] if wrong[0] == "--kind" else ["--kind", "label"]
        relkit.refused(2, "recipients", "add", "New One", *kind, *wrong)
    assert "New One" not in relkit.done("recipients", "list")
    assert (relkit.home / "recipients.json").exists()


def test_a_broken_address_book_is_not_overwritten(relkit: Command) -> None:
    """It may be the only copy of many addresses."""
    book = relkit.home / "recipients.json"
    relkit.done("recipients", "add", "Ola", "--kind", "remixer")
    book.write_text(book.read_text("utf-8").replace('"remixer"', '"pirate"'), "utf-8")
    before = book.read_bytes()
    relkit.refused(3, "recipients", "list")
    relkit.refused(3, "recipients", "add", "Ixby", "--kind", "label")
    assert book.read_bytes() == before


def test_several_with_one_fault(sent: Command) -> None:
    """Who got it on stdout, who did not on stderr, and the exit code of the fault."""
    answer = sent("ship", "Ixby Marrowlet", "Radio Tarnqel", "Radio Tarnquell")
    assert answer.code == 2
    assert answer.out.count("Shipped revision 1 to") == 2
    assert "Shipped to 2 recipients, 1 not." in answer.out
    assert answer.err.startswith("relkit: not shipped to Radio Tarnqel: nobody is called Radio Tarnqel.")
    as_json = sent("ship", "Ixby Marrowlet", "Nobody", "--json")
    assert (as_json.code, as_json.err) == (2, "")
    document = as_json.json()
    assert [each["record"]["recipient"]["name"] for each in document["shipped"]] == ["Ixby Marrowlet"]
    assert document["faults"][0]["recipient"] == "Nobody"


def test_a_dry_run_writes_nothing(sent: Command) -> None:
    """Files and sizes; an explicit version for a station ends with 1, as the real one would."""
    before = recorded(sent.folder)
    said = sent.done("ship", "--to-kind", "club-dj", "--dry-run")
    assert "Would ship revision 1 to Ixby Marrowlet (club-dj), about" in said
    assert "(Explicit).wav" in said
    answer = sent("ship", "Radio Tarnquell", "--dry-run", "--only", "explicit")
    assert (answer.code, answer.err) == (1, "")
    assert "In the way: explicit is explicit" in answer.out
    assert recorded(sent.folder) == before


@pytest.mark.parametrize(
    "words",
    [
        ["ship"],
        ["ship", "Ixby Marrowlet", "--outdated"],
        ["ship", "Ixby Marrowlet", "--to-kind", "club-dj"],
        ["ship", "--outdated", "--only", "clean"],
        ["ship", "--to-kind", "arena"],
        ["shipments", "Nobody"],
        ["shipments", "--state", "lost"],
        ["shipments", "--since", "May"],
        ["shipments", "--all", "../session"],
        ["reply", "Nobody", "playing"],
        ["reply", "Ixby Marrowlet", "liked"],
        ["reply", "Ixby Marrowlet", "rejected"],
        ["reply", "Ixby Marrowlet", "rejected", "--reason", "x", "--version", "dj"],
        ["reply", "Ixby Marrowlet", "playing", "--on", "2020-01-01"],
        ["commit", "--answers", "1"],
        ["approve", "newest", "--by", "Pell", "--role", "drummer"],
        ["approve", "9", "--by", "Pell", "--role", "label"],
        ["withdraw", "abcdef01", "--reason", "x"],
        ["history", "--rejection", "1"],
        ["checkout", "--sent-to", "Ixby Marrowlet", "--on", "2020-01-01", "--to", "../out"],
        ["checkout", "--sent-to", "Ixby Marrowlet", "--month", "2020-13", "--to", "../out"],
        ["verify", "release.toml.nothing"],
    ],
)
def test_what_makes_no_sense_writes_nothing(sent: Command, words: list[str]) -> None:
    """One line of fault, one of hint, exit code 2."""
    before = recorded(sent.folder)
    sent.refused(2, *words)
    assert recorded(sent.folder) == before


def test_from_rejection_to_answer_in_one_thread(sent: Command, tmp_path: Path) -> None:
    """Reply, the state, the answer, the way to everybody who holds the old one, and the thread of it."""
    said = sent.done(
        *("reply", "Radio Tarnquell", "rejected", "--version", "clean", "--at", "0:00.7"),
        *("--reason", "a word is still heard"),
    )
    assert "Recorded rejected 1" in said
    assert "0:00.700  in explicit" in said
    assert "rejected; open: 1" in sent.done("shipments")
    assert "rejected; open: 1" in sent.done("shipments", "Radio Tarnquell", "--state", "rejected")
    assert "clean sounds the same at 0:00.700" in sent.refused(1, "ship", "Radio Tarnquell")
    bounce = written(tmp_path / "Lanterns clean.wav", wav(music(5)))
    sent.done("commit", bounce, "--answers", "1")
    assert "superseded; clean" in sent.done("shipments", "--outdated")
    assert "Shipped to 2 recipients." in sent.done("ship", "--outdated")
    assert sent.done("shipments", "--outdated") == "Nobody is owed anything.\n"
    assert sent.done("ship", "--outdated") == "Nobody is owed anything.\n"
    thread = sent.done("history", "--rejection", "1")
    lines = [line.split()[1] for line in thread.splitlines() if not line.startswith(" ")]
    assert lines == ["shipped", "revision", "rejected", "shipped"]
    assert "answers rejection 1" in thread
    events = sent.json("history", "--rejection", "1")["events"]
    assert [event["rejections"] for event in events] == [[1]] * 4


def test_a_diary_as_a_table(sent: Command, tmp_path: Path) -> None:
    """Every event once; what a spreadsheet would take for a formula is text; no file is overwritten."""
    sent.done("reply", "Ixby Marrowlet", "asked", "--reason", '=HYPERLINK("http://x.example")')
    sent.done("approve", "newest", "--by", "Pell Docket", "--role", "label", "--note", "go")
    shipment = sent.json("shipments", "Radio Tarnquell")["holdings"][0]["shipment"]
    sent.done("withdraw", shipment, "--reason", "a slip", "--never-sent")
    table = tmp_path / "diary.csv"
    assert "6 events written" in sent.done("history", "--csv", table)
    with table.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert sorted(row["event"] for row in rows) == [
        *("approved", "never sent", "reply", "revision", "shipped", "shipped"),
    ]
    assert [row["text"] for row in rows if row["event"] == "reply"] == ['\'=HYPERLINK("http://x.example")']
    assert [row["recipient"] for row in rows if row["withdrawn"] == "a slip"] == ["Radio Tarnquell"]
    before = table.read_bytes()
    sent.refused(2, "history", "--csv", table)
    assert table.read_bytes() == before
    said = sent.done("history")
    assert "approved" in said
    assert "by Pell Docket (label)" in said
    assert "WITHDRAWN: a slip" in said


def test_verify_in_a_release(sent: Command, tmp_path: Path) -> None:
    """Who got it, by package and by file; outside of a release as before."""
    (folder,) = (sent.folder / "packages").glob("*Ixby*/*")
    said = sent.done("verify", folder)
    assert "known by its manifest: revision 1, the newest is 1" in said
    assert "to Ixby Marrowlet (club-dj), shipment" in said
    assert sent.json("verify", folder)["trace"]["known_by"] == "manifest"
    outside = Command(tmp_path, sent.home)
    assert "known by" not in outside.done("verify", folder)
    assert "known by" in outside.done("verify", folder, "--release", sent.folder)
    (file,) = folder.glob("WAV/*(Clean).wav")
    loose = shutil.copy(file, tmp_path / "track.wav")
    assert "known by its bytes" in sent.done("verify", loose)
    outside.refused(2, "verify", loose)
    shutil.rmtree(folder / "proof")
    assert "known by its files; its proof is not with it" in sent.done("verify", folder)
    file.write_bytes(file.read_bytes() + b"x")
    answer = sent("verify", folder)
    assert answer.code == 4
    assert "changed   WAV/" in answer.out


def test_a_checkout_says_that_it_was_taken_back(sent: Command) -> None:
    """By the shipment's own id it still comes out, with a remark."""
    holding = sent.json("shipments", "Radio Tarnquell")["holdings"][0]
    said = sent.done("withdraw", holding["package"][:12], "--reason", "an uncleared sample")
    assert "still with Radio Tarnquell" in said
    told = sent.done("checkout", "--shipment", holding["shipment"], "--to", "../out")
    assert "It was taken back: an uncleared sample" in told
    assert "withdrawn; an uncleared sample" in sent.done("shipments", "Radio Tarnquell")


def test_over_many_releases(sent: Command) -> None:
    """A folder of them; as JSON without a limit."""
    assert "1 release." in sent.done("shipments", "--all", "..")
    document = sent.json("shipments", "--all", "..", "--kind", "club-dj")
    assert [each["holding"]["recipient"] for each in document["holdings"]] == ["Ixby Marrowlet"]
