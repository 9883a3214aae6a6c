"""When has a machine settled, and what is its settled level?

Turns readings of several channels into one confirmed window with the level of each channel. It is handed
readings with their times and never looks ahead; nothing is called settled before it is confirmed. One object
serves the live session and any later analysis: the answer depends on the readings alone, not on how
they were cut into blocks or on when they arrived.

    front_end   spikes out, readings into bins of equal time
    regression  running sums of a level and one decay
    rule        detection, confirmation and mean of one channel
    group       several channels declared, confirmed and averaged together

The rule is our own: an equivalence test (the drift that is still possible must fit the tolerance) rather than
a test that merely fails to find drift. Declared on one window, it is confirmed on later readings.
"""
