"""How does a note's page look? Its style sheet, and the two sets of colours it draws on.

Calm and dense, like a drawing's title block: hairlines instead of boxes, a
serif for the song's name alone, figures of one width so that columns line up.
It is built for 360 px of width upwards, and for one sheet of A4 with the seven
versions of a full pack.

Conventions
    colours   "#rrggbb", declared here once; every ink has a contrast of 4.5 or more on every ground
    sizes     rem, so that a reader's own font size counts; paper in pt and mm

Sources
    [WCAG]    W3C, Web Content Accessibility Guidelines 2.2, success criterion 1.4.3

Not here: the page (``relkit.pack.page``).
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

# Inks are what text and lines are drawn in; grounds are what they stand on.
LIGHT: Mapping[str, str] = MappingProxyType(
    {
        "ground": "#f6f7f4",
        "ground-notice": "#f3e7c9",
        "ground-embargo": "#f6dcd6",
        "ground-code": "#e8ebe6",
        "ink": "#17201d",
        "ink-soft": "#4b5853",
        "ink-line": "#1c5a52",
        "ink-alarm": "#8a1c12",
        "hair": "#c3cbc5",
    }
)
DARK: Mapping[str, str] = MappingProxyType(
    {
        "ground": "#121816",
        "ground-notice": "#33290f",
        "ground-embargo": "#3c1c17",
        "ground-code": "#1e2623",
        "ink": "#e6ece8",
        "ink-soft": "#aab7b1",
        "ink-line": "#7fc7b9",
        "ink-alarm": "#ffab9c",
        "hair": "#3a4541",
    }
)
PAPER: Mapping[str, str] = MappingProxyType(
    {
        **LIGHT,
        "ground": "#ffffff",
        "ground-notice": "#ffffff",
        "ground-embargo": "#ffffff",
        "ground-code": "#ffffff",
    }
)


def _variables(colours: Mapping[str, str]) -> str:
    return "".join(f"--{name}:{colour};" for name, colour in colours.items())


_RULES = """
*{box-sizing:border-box;margin:0;padding:0}
html{-webkit-text-size-adjust:100%;text-size-adjust:100%}
body{background:var(--ground);color:var(--ink);font:1rem/1.5 system-ui,sans-serif;
overflow-wrap:anywhere;font-variant-numeric:tabular-nums lining-nums}
main{max-width:62rem;margin:0 auto;padding:0 1.25rem 3rem}
ol,ul{list-style:none}
h2{font-size:.8125rem;font-weight:600;letter-spacing:.04em;color:var(--ink-line);margin-bottom:.6rem}
h3{font-size:1.0625rem;font-weight:600;line-height:1.3}
dt,li>span{color:var(--ink-soft)}
p+p{margin-top:.6rem}

.notice,.embargo{box-shadow:0 0 0 100vmax var(--band);clip-path:inset(0 -100vmax)}
.notice{--band:var(--ground-notice);background:var(--band);padding:1.1rem 0 1.2rem}
.notice h2{font-size:1.0625rem;line-height:1.35;letter-spacing:0;color:var(--ink)}
.notice .facts{margin-bottom:.8rem}
.running li{display:inline}
.running li:not(:last-child)::after{content:", "}
.embargo{--band:var(--ground-embargo);background:var(--band);padding:.9rem 0}
.embargo strong{color:var(--ink-alarm)}

header{padding:1.25rem 0 1.5rem}
.cover{display:block;width:100%;max-width:24rem;height:auto;margin-bottom:1.25rem}
.artist{font-size:1.0625rem;color:var(--ink-soft)}
h1{font:400 clamp(1.9rem,1.2rem + 3vw,3rem)/1.12 ui-serif,Georgia,"Noto Serif",serif;
letter-spacing:-.01em;margin:.1rem 0 .5rem}
.use{color:var(--ink-soft)}
.music{display:flex;flex-wrap:wrap;gap:.4rem 2rem;margin-top:1.1rem}
.music li{font-size:1.375rem;line-height:1.2}
.music span{display:block;font-size:.8125rem;line-height:1.5}

section{margin-top:1.75rem}
.notice{margin-top:0}
.versions>li{display:grid;grid-template-columns:minmax(50%,1fr) auto;gap:0 1rem;align-items:baseline;
padding:.8rem 0 .9rem;border-top:1px solid var(--hair)}
.versions>li:last-child{border-bottom:1px solid var(--hair)}
.versions>li>*{grid-column:1/-1}
.versions>li>h3{grid-column:1}
.versions>li>.rating{grid-column:2}
.numbers{display:flex;flex-wrap:wrap;gap:0 1.1rem}
.numbers>:last-child{color:var(--ink-soft)}
.numbers span,.rating span{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%);
white-space:nowrap}
.line{display:block;width:100%;height:.75rem;margin:.45rem 0 .3rem;overflow:visible}
.line path{fill:none;stroke:var(--ink-line);stroke-width:1.5px;vector-effect:non-scaling-stroke}
.line .talk{stroke-dasharray:2 4}
.line .fade{fill:var(--ink-line)}
.details{display:flex;flex-wrap:wrap;gap:.1rem 1.1rem;font-size:.875rem}
.legend{margin-top:.6rem;font-size:.8125rem;color:var(--ink-soft)}

.facts{display:grid;grid-template-columns:7.25rem minmax(0,1fr);gap:.24rem .75rem}
.facts+p{margin-top:.8rem}
.columns,.proof{font-size:.9375rem}
.steps>*+*{margin-top:1.2rem}
pre{background:var(--ground-code);padding:.7rem .85rem;margin:.6rem 0;white-space:pre-wrap;
font:.8125rem/1.5 ui-monospace,"DejaVu Sans Mono",monospace}
.fingerprint{font:.875rem/1.5 ui-monospace,"DejaVu Sans Mono",monospace;margin:.6rem 0}

@media (min-width:46rem),print{
main{padding:0 2rem 3rem}
header{display:grid;grid-template-columns:15rem minmax(0,1fr);gap:2rem;align-items:end;padding:2.25rem 0 1rem}
header>.names:only-child{grid-column:1/-1}
.cover{margin:0}
.steps{display:grid;grid-template-columns:minmax(0,4fr) minmax(0,5fr);gap:0 3rem}
.steps>*+*{margin-top:0}
.columns{columns:2;column-gap:3rem;margin-top:1.75rem}
.columns section{break-inside:avoid;margin:0 0 1.75rem}
.columns+section{margin-top:1rem}
}

@media (min-width:58rem),print{
.versions>li{grid-template-columns:minmax(0,1fr) 8.5rem auto}
.versions>li>.numbers{grid-column:3;display:grid;grid-template-columns:5rem 7rem 7rem 7rem}
.numbers>:not(:last-child){text-align:end;white-space:nowrap}
}

@page{size:A4;margin:8mm 12mm}
@media print{
html{font-size:8pt}
body{line-height:1.3;background:none}
main{max-width:none;padding:0}
.notice,.embargo{padding:.5rem .7rem;border:.6pt solid var(--ink);box-shadow:none;clip-path:none}
.embargo{margin-top:.5rem}
.notice p{display:inline}
.notice .facts{margin-bottom:.3rem}
header{grid-template-columns:26mm minmax(0,1fr);gap:1.25rem;padding:.7rem 0 0}
h1{font-size:2.1rem;margin-bottom:.2rem}
h2{margin-bottom:.3rem}
.music{margin-top:.4rem}
section,.columns{margin-top:.7rem}
.columns{columns:3;column-gap:2rem}
.versions>li{padding:.22rem 0 .25rem;break-inside:avoid}
.line{height:.65rem;margin:.15rem 0}
.legend{margin-top:.3rem}
.columns section{margin-bottom:.7rem;break-inside:auto}
.columns h2{break-after:avoid}
.facts{row-gap:0}
p+p,.facts+p{margin-top:.3rem}
pre,.fingerprint{margin:.25rem 0;padding:0}
.steps{gap:0 2rem}
}
"""

STYLE = (
    f":root{{color-scheme:light dark;{_variables(LIGHT)}}}"
    f"@media (prefers-color-scheme:dark){{:root{{{_variables(DARK)}}}}}"
    f"@media print{{:root{{color-scheme:light;{_variables(PAPER)}}}}}"
    f"{_RULES}"
)
