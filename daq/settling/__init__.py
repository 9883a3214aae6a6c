"""When has a machine settled, and what is its settled level?

Turns readings of several channels into one confirmed window with the level of each channel. It is handed
readings with their times and never looks ahead; nothing is called settled before it is confirmed. One object
serves the live session and any later analysis: the answer depends on the readings alone, not on how
they were cut into blocks or on when they arrived.

    parameters     everything that can be tuned; presets: named sets of it; options: parameters by name
    front_end      spikes out, readings into bins of equal time
    history        the last bins of every channel
    window_sums    sums over the newest bins; detection: every window that ends now, judged at once
    verdicts       what those fits say of one channel; hunting: does one period stand out
    disturbances   jumps and excursions, and how long it must have been quiet since
    drift_left     how likely the drift at the declaration was too large, and how large it may have been
    level_bank     level and drift, weighed over drifts and noises; noises, distributions: what it reckons with
    window         what is averaged: confirmation, the mean and its uncertainty; level: what it gives
    normalising    the exponent by which a channel follows the voltage; normalised: bins taken to a reference voltage
    phases         words shared by the rule and those who ask it
    rule           the rule over bins: run-up, declaration, confirmation
    group          several channels together: readings in, phases out
    record         the rule on one record: a meter's log

The rule is our own: an equivalence test (the drift that is still possible must fit the tolerance) rather than
a test that merely fails to find drift. Declared on the windows that pass, it is confirmed on later readings.
"""

RULE = 1
"""Raised by one whenever the same readings come to another window, level or uncertainty than before: it stands with
every stored session, as it was begun, and every analysis, so that a difference found later has its reason."""
