"""Estimators on risk tables and plain arrays; knows nothing of fleets, files or the store.

Everything starts from the counts of `risk_table`: how many spells enter, fail and leave at each age, in whole
tenths of an hour. From there: `product_limit` (survival, hazard, competing causes), `log_rank` and
`incidence_comparison` (do groups differ), `change_point` (since which group), `lifetimes` and `accelerated` (life
distributions and regressions), `interval_curve` (failures known to intervals), `cox` (what drives the hazard),
`recurrent` and `trend` (repeat failures), `proportions` (shares, counts, comeback rates), `small_groups`,
`renewal_value`, `repair_order` and `schedule` (what to do) and `scores`.

Faults in the numbers raise the named errors of `errors`; results are frozen dataclasses that carry their
notes.
"""
