"""The meters' side of each wire protocol, and the timing of a serial line; pure."""
