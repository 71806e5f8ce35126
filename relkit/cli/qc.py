"""``relkit qc``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, plural, say
from relkit.errors import UsageError
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.manifest import AcceptedRecord
    from relkit.qc.findings import Finding
    from relkit.release.quality import QualityReport

_HEADINGS = {"fail": "Would be sent back", "warn": "A professional would ask"}
_MOST_PLACES = 4


def qc(
    revision: Annotated[str, typer.Argument(help="A revision's number, newest, or its digest's start.")] = (
        "newest"
    ),
    accept: Annotated[
        str | None, typer.Option(metavar="FINDING", help="Let a finding stay, by its id; needs --reason.")
    ] = None,
    reason: Annotated[str, typer.Option(help="Why it may stay; signed and kept.")] = "",
    sarif: Annotated[
        bool, typer.Option("--sarif", help="Print a SARIF 2.1.0 log for other programs and nothing else.")
    ] = False,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Check a revision against the trade's rules, before anybody else hears it.

    Exit codes: 0 nothing that would be sent back, 1 something would be, 2 wrong
    usage, 4 damaged store, 5 signer not trusted, 6 busy, 7 disk or permission.
    """
    if json and sarif:
        raise UsageError("--json and --sarif are two answers", hint="Ask for one of them.")
    with opened(release) as opened_release:
        if accept is not None:
            record = opened_release.accept(accept, reason=reason, revision=revision)
            as_json(record) if json else _say_accepted(record)
            return
        report = opened_release.quality(revision)
    if json or sarif:
        as_json(report.sarif() if sarif else report.document())
    else:
        _say(report)
    if report.open("fail"):
        raise typer.Exit(1)


def _say_accepted(record: AcceptedRecord) -> None:
    say(
        f"Accepted in revision {record.revision}: {shown(record.fault)}",
        f"  It holds as long as it gets no worse. To take it back: relkit withdraw {record.id[:8]}",
    )


def _say(report: QualityReport) -> None:
    """Print what a tired person needs: the count, then what to do, then the rest in single lines."""
    fails, warns = report.open("fail"), report.open("warn")
    notes = [one for one in report.findings if one.severity == "note" and one.id not in report.accepted]
    counted = f"{plural(len(fails), 'fault')}, {plural(len(warns), 'question')}, {plural(len(notes), 'note')}"
    accepted = f", {len(report.accepted)} accepted" if report.accepted else ""
    verdict = "not ready" if fails else "ready, with questions" if warns else "ready"
    say(f"Revision {report.revision} is {verdict}: {counted}{accepted}")
    for severity, heading in _HEADINGS.items():
        found = report.open(severity)
        if found:
            say("", heading)
        for one in found:
            _say_finding(one)
    if notes:
        say("", "Good to know")
    for one in notes:
        say(f"  {one.id}  {_in_one_line(one)}")
    if report.accepted:
        say("", "Accepted")
    for one in report.findings:
        record = report.accepted.get(one.id)
        if record is not None:
            say(
                f"  {one.id}  {one.severity}: {_in_one_line(one)}",
                f"            accepted in revision {record.revision}: {shown(record.reason)}",
            )
    for name in report.not_heard:
        say("", f"Not listened to, since it is no PCM audio, or too short: {shown(name)}")


def _say_finding(one: Finding) -> None:
    say(f"  {one.id}  {shown(one.fault)}")
    if one.measured or one.expected:
        expected = f"; expected: {shown(one.expected)}" if one.expected else ""
        say(f"            found: {shown(one.measured) or 'nothing'}{expected}")
    if one.places:
        say(f"            at {_places(one)}")
    say(f"            {shown(one.why)}", f"            {shown(one.todo)}")


def _in_one_line(one: Finding) -> str:
    measured = f": {shown(one.measured)}" if one.measured else ""
    return f"{shown(one.fault)}{measured}" + (f"; at {_places(one)}" if one.places else "")


def _places(one: Finding) -> str:
    more = len(one.places) - _MOST_PLACES
    told = ", ".join(str(place) for place in one.places[:_MOST_PLACES])
    return f"{told} and {more} more" if more > 0 else told
