"""What is gone through before a session: each item with its verdict, what was found, and why it matters.

Pure: readings, answers and what the computer tells come in, items go out. Opens no port and no file, asks nobody, reads
no clock. What cannot be told is said to be so; nothing is done that was not seen, measured or acknowledged.

    items        an item and its verdict
    kept         what was acknowledged or measured before, and for how long that holds
    ticks        what only a person can tell: isolation, automatic power-off, hold, autorange, units
    pairs        both voltmeters on one outlet
    zeros        the airflow's zero with the inlet capped
    by_eye       the same of meters that nobody but the operator can read
    refreshing   how often a meter makes a new value
    pressures    statements of air pressure as people make them: QNH, QFE, QFF
    air          the air of the bench, against what is stated today
    ratings      the plan's limits and leads against nameplate and ratings
    computer     clock and disk
    mains        the cautions that stand above everything
"""
