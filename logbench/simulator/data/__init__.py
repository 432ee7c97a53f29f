"""Published speed traces.

`wltc_class3b.csv`: speed against time (`time_s`, `speed_kmh`, 1 s apart) of the WLTC class 3b
cycle. Source of the numbers: UNECE Global Technical Regulation No. 15, annex 1.
"""
