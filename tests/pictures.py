"""Makes the pictures of README.md: the operator's live page in the middle of a trial, and the report of a session.

    .venv/bin/python tests/pictures.py

Runs a demonstration (about two minutes) and needs what the tests install, with Debian's chromium.
"""

import json
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

ROOT = Path(__file__).resolve().parents[1]
PICTURES = ROOT / ".pictures"
CHROMIUM = "/usr/bin/chromium"
SIZE = (1280, 800)
_COLOURS = 64
_WITHIN_S = 240.0


def main() -> None:
    """Run a demonstration and write the pictures."""
    PICTURES.mkdir(exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as folder,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox"]
        )
        with _demonstration(Path(folder)) as demo:
            url = _page_url(demo)
            _wait_for_third_average(url)
            _shoot(browser, _operators_link(Path(folder)), PICTURES / "page.png")
            print("session goes on …", flush=True)
            demo.wait(_WITHIN_S)
        report = next(Path(folder).glob("*/report.html"))
        _shoot(browser, report.as_uri(), PICTURES / "report.png")
        browser.close()


@contextmanager
def _demonstration(folder: Path) -> Iterator["subprocess.Popen[str]"]:
    command = [sys.executable, "-m", "daq", "demo", "--plain", "--seed", "4"]
    demo = subprocess.Popen(
        [*command, "--folder", str(folder)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield demo
    finally:
        demo.terminate()
        demo.wait(20.0)


def _page_url(demo: "subprocess.Popen[str]") -> str:
    assert demo.stdout is not None
    for line in demo.stdout:
        if line.startswith("Live page: "):
            return line.split()[2]
    msg = "the demonstration ended before it told its page"
    raise RuntimeError(msg)


def _operators_link(folder: Path) -> str:
    bench = next(folder.glob("*/bench.toml"))
    told = subprocess.run(
        [sys.executable, "-m", "daq", "session", str(bench), "links"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
        check=True,
        timeout=60,
    ).stdout
    return told.splitlines()[0].removeprefix("To operate: ")


def _wait_for_third_average(url: str) -> None:
    """By then the slip has results, and the charts have something to show."""
    end_s = time.monotonic() + _WITHIN_S
    while time.monotonic() < end_s:
        try:
            with urllib.request.urlopen(f"{url}api/state", timeout=2) as answer:  # noqa: S310  # our own page
                state = json.load(answer)
        except urllib.error.URLError:
            state = None
        if (
            state
            and state["session"]
            and state["session"]["done"] >= 2
            and state["trial"]
        ):
            stage = state["stage"]
            if stage["name"] == "averaging" and (stage["progress"] or 0.0) > 0.4:
                return
        time.sleep(0.1)  # noqa: TID251  # a real session runs at the pace of real time
    msg = "no third trial was averaged in time"
    raise TimeoutError(msg)


def _shoot(browser: Browser, url: str, picture: Path) -> None:
    page = browser.new_page(viewport={"width": SIZE[0], "height": SIZE[1]})
    page.goto(url)
    page.wait_for_timeout(1500)
    page.screenshot(path=picture)
    page.close()
    # A screen of few colours: a palette makes it a third of the size.
    with Image.open(picture) as image:
        image.convert("RGB").quantize(_COLOURS).save(picture, optimize=True)
    print(f"{picture.relative_to(ROOT)}: {picture.stat().st_size / 1024:.0f} KB")


if __name__ == "__main__":
    main()
