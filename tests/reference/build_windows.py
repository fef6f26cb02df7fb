"""Copy the published drift, launch window and Moon cases that tests use out of a folder of check-value files.

    python tests/reference/build_windows.py FOLDER

FOLDER holds plane_drift.json and two_body.json in the form described in data/README.md. Cases keep their ids, sources,
the provenance of each value and the independent recomputation; pointers into the place of gathering go.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

LAUNCH = ("TB-27", "TB-29", "TB-31", "TB-32", "TB-33", "TB-35", "TB-36", "TB-37", "TB-39")
KEPT = ("id", "title", "source", "provenance", "inputs", "outputs", "matched_sgp4", "note")
DROPPED = (r" \(stored course file\)", r" \(stored course script id \d+\)", r" in stored public files[^\";]*")


def build(folder: Path, out: Path) -> None:
    """Write plane_drift.json, moon.json and launch_windows.json."""
    drift = json.loads((folder / "plane_drift.json").read_text())
    two_body = json.loads((folder / "two_body.json").read_text())
    moon = [case for case in drift["cases"] if case["id"].startswith("MOON")]
    planes = [case for case in drift["cases"] if not case["id"].startswith("MOON")]
    launch = [case for case in two_body["cases"] if case["id"] in LAUNCH]
    write(out / "plane_drift.json", drift["what"], planes)
    write(out / "moon.json", drift["what"], moon)
    write(out / "launch_windows.json", two_body["what"], launch)


def write(path: Path, what: str, cases: list[dict[str, object]]) -> None:
    """One data file."""
    kept = [{key: case[key] for key in KEPT if key in case} for case in cases]
    text = json.dumps({"what": what, "cases": kept}, indent=1) + "\n"
    for pattern in DROPPED:
        text = re.sub(pattern, "", text)
    path.write_text(text)


if __name__ == "__main__":
    build(Path(sys.argv[1]), Path(__file__).parent / "data")
