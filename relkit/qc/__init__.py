"""The pack against the trade's rules: one rule, one function, findings.

    findings   what a rule says
    limits     the numbers that rules go by, and what a sheet may set instead
    rule       what a rule is; the register
    pack       the facts of a revision that rules look at
    ear        what was measured of its audio: each bounce decoded once, everything remembered
    heard      one bounce: levels and faults
    pairs      two bounces: offset, drift, the places where they differ
    joins      a DJ edit beside its song
    remains    what is left of a removed word
    rules_*    the rules
    check      all of them together
    sarif      findings for other programs

Not here: what is done about a finding (``relkit.release.quality``).
"""
