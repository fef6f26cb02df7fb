"""Copy the published Saturn V cases that tests use out of a folder of check-value files.

    python tests/reference/build_saturn_v.py FOLDER

FOLDER holds saturn_v.json. Cases keep their ids, sources and the provenance of each value, above all which
were recalled from memory; nothing else is taken over.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

WANTED = ("SAT-ASC-AS-506", "SAT-EVT-AS-506", "SAT-MASS-AS-506", "SAT-ENG", "SAT-EOI-AS-506", "SAT-AZ-1")
KEPT = ("id", "title", "source", "provenance", "events", "outputs", "derived", "note")


def build(folder: Path, out: Path) -> None:
    """Write the data file."""
    whole = json.loads((folder / "saturn_v.json").read_text())
    chosen = [case for case in whole["cases"] if case["id"] in WANTED]
    cases = [{key: case[key] for key in KEPT if key in case} for case in chosen]
    text = json.dumps({"what": whole["what"], "frames": whole["frames"], "cases": cases}, indent=1) + "\n"
    (out / "saturn_v.json").write_text(text)


if __name__ == "__main__":
    build(Path(sys.argv[1]), Path(__file__).parent / "data")
