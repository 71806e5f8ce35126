"""``relkit mirror`` and ``relkit restore``: the commands that use a network."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, home, opened
from relkit.cli.output import as_json, plural, progress, say
from relkit.errors import UsageError
from relkit.filenames import shown

Url = Annotated[
    str, typer.Argument(metavar="URL", help="A bare Git repository of its own: a folder, ssh, https, git.")
]


def mirror(
    url: Url,
    take_in: Annotated[
        bool, typer.Option("--take-in", help="Fetch and check what is there and missing here, instead.")
    ] = False,
    revisions_only: Annotated[
        bool, typer.Option("--revisions-only", help="Send no records: they hold people's names.")
    ] = False,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Keep a full copy elsewhere, or take in what a colleague recorded there.

    Nothing there is ever written over. Exit codes: 0 done, 2 there is something
    that this side lacks, 4 damaged data, 5 signer not trusted, 6 busy, 7 it cannot
    be reached.
    """
    if take_in and revisions_only:
        raise UsageError("--revisions-only is about sending", hint="Leave it out with --take-in.")
    with opened(release) as opened_release, progress(json) as telling:
        if take_in:
            report = opened_release.take_in(url, telling)
        else:
            report = opened_release.mirror(url, with_records=not revisions_only, progress=telling)
    if json:
        as_json(report)
        return
    what = f"{plural(report.revisions, 'revision')} and {plural(report.records, 'record')}"
    if not report.revisions and not report.records:
        say(f"Nothing new {'there' if take_in else 'for'} {shown(url)}.")
    else:
        say(f"{'Took in' if take_in else 'Sent'} {what} {'from' if take_in else 'to'} {shown(url)}.")
    for number in report.beside:
        say(f"  Revision {number} of another machine lies beside ours; the next commit joins both.")


def restore(
    url: Url,
    folder: Annotated[Path, typer.Argument(help="Where the release appears; must not exist, or be empty.")],
    json: AsJson = False,
) -> None:
    """Build a complete release from a mirror, every signature and digest checked first.

    Exit codes: 0 done, 2 no release there or something in the way, 4 damaged data,
    5 signer not trusted, 7 it cannot be reached.
    """
    from relkit.release.restore import restore as restore_release

    with progress(json) as telling:
        report = restore_release(url, folder, home(), telling)
    if json:
        as_json(report)
        return
    looked = report.looked_at
    say(
        f"Restored {plural(looked.revisions, 'revision')} and {plural(looked.records, 'record')} "
        f"from {shown(url)}",
        f"  every signature and digest checked, {plural(looked.files, 'file')} restored",
        f"  lies in {shown(report.folder)}, with the files of revision {report.revision}",
    )
