"""What all tests share: leaving a test out can be made a failure, and none is timed."""

import pytest
from hypothesis import settings

# How long an example takes depends on what else the computer does: no test is timed.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--nothing-left-out",
        action="store_true",
        help="a skipped test is a failure (continuous integration)",
    )


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    outcome = yield
    report = outcome.get_result()
    if (
        report.skipped
        and item.config.getoption("--nothing-left-out")
        and not hasattr(report, "wasxfail")
    ):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was left out: {call.excinfo.value}"


@pytest.hookimpl(hookwrapper=True)
def pytest_make_collect_report(collector):
    """A module that leaves itself out while it is being collected never gets as far as a test."""
    outcome = yield
    report = outcome.get_result()
    if report.skipped and collector.config.getoption("--nothing-left-out"):
        _, _, reason = report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{collector.nodeid} was left out: {reason}"
