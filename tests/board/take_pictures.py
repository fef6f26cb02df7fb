"""Pictures of the board for the README and for a look at it: `python tests/board/take_pictures.py [OUT]`.

Flies the demo (invented vehicles), shows its recording with `guidance-svc board`, and photographs the page in both
schemes at desktop and phone width, in the middle of the insertion. OUT (default clients/pictures) gets board.png, the
light desktop one, and the other three.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from shutil import which
from tempfile import TemporaryDirectory
from typing import Any

from board_process import ENVIRONMENT, boards
from playwright.sync_api import expect, sync_playwright

SIZES = {"": (1280, 760), "_phone": (390, 844)}
SCHEMES = {"": "light", "_dark": "dark"}
SHOWN_S = 300.0  # of the vehicle's clock: both upper stages burn
VEHICLE = "Curlew"


def main(out: Path) -> None:
    """Fly, show, photograph."""
    with TemporaryDirectory() as folder:
        demo = [sys.executable, "-m", "guidance_svc", "demo", "--out", folder, "--speed", "60", "--plain"]
        subprocess.run(demo, env=ENVIRONMENT, check=True, stdout=subprocess.DEVNULL)
        (recording,) = Path(folder, "recording").glob("*.mcap")
        with boards() as start, sync_playwright() as driver:
            url = start(recording).url
            browser = driver.chromium.launch(executable_path=which("chromium"), args=["--no-sandbox"])
            for size, (width, height) in SIZES.items():
                for scheme, name in SCHEMES.items():
                    page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=name)
                    page.goto(url)
                    page.get_by_role("button", name=VEHICLE, exact=True).click()
                    seek(page)
                    page.mouse.move(0, 0)
                    page.screenshot(path=out / f"board{size}{scheme}.png")
                    page.close()
            browser.close()


def seek(page: Any) -> None:
    """Scrub to the first moment at which the vehicle's clock is past SHOWN_S."""
    expect(page.locator("#feed-word")).to_have_text("recording")
    curve = page.evaluate(f"() => fetch('/curve?vehicle={VEHICLE}').then((reply) => reply.json())")
    wall_s = next(w for w, t in zip(curve["wall_s"], curve["time_s"], strict=True) if t >= SHOWN_S)
    page.evaluate(
        "(s) => { const e = document.getElementById('scrub'); e.value = s; e.dispatchEvent(new Event('input')); }",
        wall_s,
    )
    clock = page.locator(f'.strip[data-vehicle="{VEHICLE}"] [data-is="clock"]')
    expect(clock).to_have_text(re.compile(r"^[45]:\d\d\.\d$"))


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "clients/pictures"))
