"""Physics of the simulated bench; pure, and deterministic given a seeded random source."""
