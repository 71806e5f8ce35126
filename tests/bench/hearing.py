"""How many of 300 generated pairs are heard rightly? Edits found, edges, false regions, verdicts.

    python tests/bench/hearing.py [--pairs 300] [--first-seed 0] [--markdown PAGE]

tells of every pair that was not heard rightly, then prints one table by what was done to the files
and by kind of edit. The first of the same pairs are a test in ``tests/measure/test_comparison.py``.

Not here: the pairs and the truth about them (``tests/support/hearing_pairs.py``, ``hearing_scores.py``).
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line has it; before numpy is imported
if not __package__:  # run as a file
    sys.path[0] = str(Path(__file__).resolve().parents[2])

from relkit.measure.comparison import Comparison, compare
from tests.bench.report import Report, machine, write
from tests.support.hearing_pairs import Pair, pair
from tests.support.hearing_scores import Score, edges_within, score
from tests.support.rendered_pairs import RATE_HZ

FOUND, NEAR, RIGHT, FALSE = 99.0, 99.0, 98.0, 1.0  # [%] and false regions in 100 pairs


def _share(part: int, whole: int) -> str:
    return f"{part}/{whole}" + (f" ({100 * part / whole:.1f} %)" if whole else "")


def table(results: Iterable[tuple[Pair, Score]]) -> list[list[str]]:
    """Return rows: what, edits found, rightly named, edges near enough, false regions, verdicts right."""
    counted: dict[str, Counter[str]] = {}
    for made, scored in results:
        near = edges_within(made, scored)
        ways = ["all", *sorted(made.done or {"nothing else"})]
        for way in ways:
            count = counted.setdefault(way, Counter())
            count.update(
                pairs=1,
                edits=len(made.edits),
                found=len(made.edits) - len(scored.missed),
                named=scored.named,
                edges=len(near),
                near=sum(near),
                false=len(scored.false),
                right=int(scored.verdict),
            )
        for kind in {edit.kind for edit in made.edits}:
            count = counted.setdefault(f"edit: {kind}", Counter())
            count.update(edits=sum(edit.kind == kind for edit in made.edits))
            count.update(
                found=sum(e.kind == kind for e in made.edits) - sum(e.kind == kind for e in scored.missed)
            )
            count.update(edges=sum(e.kind == kind for e, _ in scored.off_s))
            count.update(near=sum(n for (e, _), n in zip(scored.off_s, near, strict=True) if e.kind == kind))
    order = sorted(counted, key=lambda name: (name != "all", name.startswith("edit"), name))
    return [
        [
            name,
            str(count["pairs"]) if count["pairs"] else "",
            _share(count["found"], count["edits"]),
            _share(count["near"], count["edges"]),
            str(count["false"]) if count["pairs"] else "",
            _share(count["right"], count["pairs"]) if count["pairs"] else "",
        ]
        for name in order
        if (count := counted[name])
    ]


def tell(made: Pair, heard: Comparison, scored: Score) -> None:
    """Print what was not heard rightly of one pair."""
    print(f"\n{made.seed}: {', '.join(sorted(made.done))}; edits: {made.edits}")
    print(f"  {heard.verdicts}, {heard.gain_db:.3f} of {made.gain_db:.3f} dB, {heard.residual_dbfs:.1f} dBFS")
    for region in heard.regions:
        print(f"  {region}")
    errors = [f"{edit.kind} {1000 * off:.1f}" for edit, off in scored.off_s]
    missed = [edit.kind for edit in scored.missed]
    print(f"  edges off by [ms]: {errors}; missed: {missed}; false: {len(scored.false)}", flush=True)


def bench(first_seed: int, pairs: int) -> Report:
    """Hear all pairs and return the table."""
    results, spent_s = [], 0.0
    for seed in range(first_seed, first_seed + pairs):
        made = pair(seed)
        begun = time.process_time()
        heard = compare(made.old, made.new, RATE_HZ, lossy="both mp3" in made.done)
        spent_s += time.process_time() - begun
        scored = score(made, heard)
        results.append((made, scored))
        if scored.missed or scored.false or not scored.verdict or not all(edges_within(made, scored)):
            tell(made, heard, scored)
    report = Report()
    report.text(machine())
    title = f"{pairs} pairs from seed {first_seed} on, {spent_s / pairs:.2f} s of CPU each"
    head = ["", "pairs", "edits found", "edges near enough", "false regions", "verdicts right"]
    report.table(title, head, table(results))
    edits = sum(len(made.edits) for made, _ in results)
    near = [each for made, scored in results for each in edges_within(made, scored)]
    missed = sum(len(scored.missed) for _, scored in results)
    false = sum(len(scored.false) for _, scored in results)
    right = sum(scored.verdict for _, scored in results)
    report.at_least("edits found", 100 * (1 - missed / max(1, edits)), FOUND, " %")
    report.at_least("edges within 5 ms, 10 ms through MP3", 100 * sum(near) / max(1, len(near)), NEAR, " %")
    report.at_most("false regions in 100 pairs", 100 * false / pairs, FALSE)
    report.at_least("verdicts right", 100 * right / pairs, RIGHT, " %")
    return report


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--pairs", type=int, default=300)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--markdown", type=Path, help="a page with marks, or a new file")
    chosen = parser.parse_args()
    report = bench(chosen.first_seed, chosen.pairs)
    markdown = report.markdown()
    print(markdown)
    if chosen.markdown:
        write(markdown, chosen.markdown, section="hearing")
    return 0 if report.all_met else 1


if __name__ == "__main__":
    sys.exit(main())
