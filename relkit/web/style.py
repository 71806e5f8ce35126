"""How does a page of changes look? Its style sheet, and its two sets of colours.

Paper and ink, one warm tone for what changed; old is an outline, new is filled,
so that the two are told apart without colour, too.

Sources
    [WCAG] W3C, Web Content Accessibility Guidelines 2.2, success criterion 1.4.3 (contrast of text)

Not here: the page (``relkit.web.diff_page``).
"""

from __future__ import annotations

LIGHT = {
    "ground": "#f6f7f4",
    "ink": "#17201d",
    "ink-soft": "#4b5853",
    "new": "#2f6f66",
    "old": "#17201d",
    "mark": "#e9c46a",
    "hair": "#c3cbc5",
    "alarm": "#8a1c12",
}
DARK = {
    "ground": "#121816",
    "ink": "#e6ece8",
    "ink-soft": "#aab7b1",
    "new": "#4c9a8d",
    "old": "#e6ece8",
    "mark": "#6b5316",
    "hair": "#3a4541",
    "alarm": "#ffab9c",
}


def _variables(colours: dict[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in colours.items())


STYLE = f"""
:root{{color-scheme:light dark;{_variables(LIGHT)}}}
@media (prefers-color-scheme:dark){{:root{{{_variables(DARK)}}}}}
@media print{{:root{{{_variables(LIGHT)}--ground:#ffffff}}audio{{display:none}}section{{break-inside:avoid}}}}
*{{box-sizing:border-box}}
body{{margin:0;background:var(--ground);color:var(--ink);
font:1rem/1.5 system-ui,sans-serif;font-variant-numeric:tabular-nums}}
main{{max-width:60rem;margin:0 auto;padding:1.5rem 1rem 4rem}}
h1{{font:1.75rem/1.2 ui-serif,Georgia,serif;margin:0}}
h2{{font-size:1.15rem;margin:2.5rem 0 .25rem;border-top:1px solid var(--hair);padding-top:1rem}}
h3{{font-size:1rem;margin:1.5rem 0 .25rem}}
p{{margin:.25rem 0}}
body{{overflow-wrap:anywhere}}
section{{max-width:100%}}
.soft{{color:var(--ink-soft)}}
.alarm{{color:var(--alarm);font-weight:600}}
table{{border-collapse:collapse;margin:.5rem 0;max-width:100%}}
th,td{{text-align:left;padding:.1rem 1rem .1rem 0;vertical-align:top;overflow-wrap:anywhere}}
th{{color:var(--ink-soft);font-weight:400}}
td.n{{text-align:right;white-space:nowrap}}
svg{{width:100%;height:auto;display:block;margin:.5rem 0}}
svg text{{font:11px system-ui,sans-serif;fill:var(--ink-soft)}}
svg .new{{fill:var(--new);fill-opacity:.75}}
svg .old{{fill:none;stroke:var(--old);stroke-width:.8}}
svg .changed{{fill:var(--mark);fill-opacity:.75}}
svg .tick{{stroke:var(--hair);fill:none}}
svg .loud-new{{fill:none;stroke:var(--new);stroke-width:1.5}}
svg .loud-old{{fill:none;stroke:var(--old);stroke-width:1;stroke-dasharray:3 3}}
.pair{{display:flex;flex-wrap:wrap;gap:.5rem 2rem}}
.pair figure{{margin:0;max-width:22rem}}
.pair img{{max-width:100%;height:auto}}
audio{{width:16rem;max-width:100%;height:2.25rem}}
figcaption,label{{color:var(--ink-soft);font-size:.875rem}}
""".replace("\n", "")
