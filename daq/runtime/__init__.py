"""The shell: ports, clock, disk and sockets around the pure core; `daemon` wires it."""
