"""One carrying-out of a plan, driven purely by readings and time.

    order       which condition when
    itinerary   the order as it is carried out: lines done, left out, added, to come
    switching   the machine is on, the machine is off
    limits      a channel that must not pass a limit
    idle        zeros measured with the machine off
    averaging   levels of a settled window into trial averages, each with its uncertainty budget
    judging     how the settling rule is asked and what its answer becomes, live and later
    reasons     why something has not settled, and what to do about it, in words
    stages      the stages and the one table of transitions
    in_hand     the trial in hand
    amending    what an operator asks for beside switching, and why it may be refused
    session     the state machine
    reanalysis  a trial judged again from its stored readings

Knows no port, no file, no clock and no screen; what happened goes out as values.
"""
