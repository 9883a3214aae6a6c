"""One carrying-out of a plan, driven purely by readings and time.

    order      which condition when
    switching  the machine is on, the machine is off
    limits     a channel that must not pass a limit
    averaging  levels of a settled window into trial averages with their uncertainty
    stages     the stages and the one table of transitions
    session    the state machine

Knows no port, no file, no clock and no screen; what happened goes out as values.
"""
