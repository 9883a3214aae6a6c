"""Simulated bench: a machine, its supply and air, and meters on pseudo-terminals.

Runs as a process of its own (`python -m simulators FILE`) so that a bench can be tried
with no hardware. It shares no code with the package that reads the meters: each side is
written from the protocol's own document. From the ground up:

- `models`: the physics. Knows no meter and no wire.
- `wires`: the meters' side of each protocol and the timing of a serial line.
- `faults`: spoils replies.
- `instruments`, `kinds`: what a meter makes of the physics, and the kinds there are.
- `tables`, `config`, `rig`: the simulation file, and the bench put together from it.
- `operator`, `commands`: the simulated person, and what can be typed.
- `terminal`: the only input and output.
"""
