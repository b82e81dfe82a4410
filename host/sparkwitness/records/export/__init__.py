"""Tables of a recording in the formats of other programs.

Every format holds the board's counts themselves, so what is read back is equal to the tick.
"""
