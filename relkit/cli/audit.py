"""``relkit audit``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, plural, progress, say
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.audit import AuditReport


def audit(release: ReleaseFolder = None, json: AsJson = False) -> None:
    """Check the whole store: every object, digest, signature and record.

    Exit codes: 0 all is whole, 2 no release, 4 something is damaged, missing or
    moved, 5 whole, but a signer is not trusted.
    """
    from relkit.release.audit import StoreDamagedError, StoreUntrustedError

    try:
        with opened(release) as opened_release, progress(json) as telling:
            report = opened_release.audit(telling)
    except (StoreDamagedError, StoreUntrustedError) as error:
        _answer(error.report, json)
        raise
    _answer(report, json)


def _answer(report: AuditReport, json: bool) -> None:
    if json:
        as_json(report)
        return
    for finding in [*report.findings, *report.untrusted]:
        say(f"  {shown(finding.where)}: {shown(finding.what)}")
        for each in finding.concerns:
            say(f"      concerns {shown(each)}")
    say(
        f"Looked at {plural(report.objects, 'object')}, {plural(report.revisions, 'revision')}, "
        f"{plural(report.records, 'record')}; restored and hashed {plural(report.files, 'file')}."
    )
    say("All is whole." if not report.findings else f"{plural(len(report.findings), 'finding')}.")
