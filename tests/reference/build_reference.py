"""Copy the published cases that tests use out of a folder of check-value files.

    python tests/reference/build_reference.py FOLDER

FOLDER holds two_body.json, atmosphere_1976.json and the others of WANTED in the form described in data/README.md.
Each case keeps its id, title, source, provenance, inputs, outputs and note; nothing else is taken over.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

WANTED = {
    "two_body": ["TB-01", "TB-04", "TB-05", "TB-07", "TB-08", "TB-09", "TB-11", "TB-13"],
    "atmosphere_1976": None,  # every case
    "descent_and_rendezvous": ["DR-04", "DR-05", "DR-07", "RV-01", "RV-07"],
    "next_phase": ["NX-20", "NX-21", "NX-23", "NX-27", "NX-29", "NX-31"],
    "insertion_accuracy": ["IA-AS-504", "IA-AS-505", "IA-AS-506"],
    "constants": ["CON-WGS84", "CON-EGM96", "CON-IERS", "CON-G0", "CON-MOON"],
}
DROPPED = (  # pointers into the place where the values were gathered, of no use to a reader
    r" in stored public files ids \d+ and \d+",
    r" \(stored (file|transcription) id \d+\)",
    r" in build/\w+\.py",
    r"; a stored summary page [^)]*",
    r"; cross-checked with the libraries in 'checks'",
)
KEPT = ("id", "title", "source", "provenance", "inputs", "outputs", "note")


def build(folder: Path, out: Path) -> None:
    """Write one data file for each source file."""
    for name, ids in WANTED.items():
        whole = json.loads((folder / f"{name}.json").read_text())
        chosen = [case for case in whole["cases"] if ids is None or case["id"] in ids]
        cases = [{key: case[key] for key in KEPT if key in case} for case in chosen]
        text = json.dumps({"what": whole["what"], "cases": cases}, indent=1) + "\n"
        for pattern in DROPPED:
            text = re.sub(pattern, "", text)
        (out / f"{name}.json").write_text(text)


if __name__ == "__main__":
    build(Path(sys.argv[1]), Path(__file__).parent / "data")
