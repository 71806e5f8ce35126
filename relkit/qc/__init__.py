"""Rules over facts and samples: one rule, one function, one finding.

The room is laid and empty: no rule is built yet, and nothing imports it.
"""
