"""A meter that keeps its own log: its lines into readings, its clock set against ours, its switchings into trials.

Knows no file and no store: bytes, edges and readings in; tables, an alignment, trial results out. Nothing is repaired
in silence: what was left out, doubled or set right is counted and told.

    stamps     texts of a time column into seconds, whatever way the clock was written
    table      several columns of one log, with the lines that could not be read
    edges      when a channel says that the machine was switched, and between which readings that was
    alignment  the offset of one clock against another, found from the edges of both
    runs       stretches in which the machine was on, and which line of the order each belongs to
    carried    runs judged as a live session would have judged them
    judged     a recorded trial judged again with the log's channels beside its own
"""
