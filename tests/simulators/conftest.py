from pathlib import Path

import pytest

from simulators.config import Simulation, load_simulation

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.fixture(scope="session", params=["leads", "filters"])
def simulation(request: pytest.FixtureRequest) -> Simulation:
    return load_simulation(CONFIGS / request.param / "simulation.toml")


@pytest.fixture(scope="session")
def leads() -> Simulation:
    return load_simulation(CONFIGS / "leads" / "simulation.toml")


@pytest.fixture(scope="session")
def filters() -> Simulation:
    return load_simulation(CONFIGS / "filters" / "simulation.toml")
