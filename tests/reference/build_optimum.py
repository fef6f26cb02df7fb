"""Rebuilds tests/reference/data/optimum.json from the folder of fuel-optimal references.

    python tests/reference/build_optimum.py FOLDER

The references: optimal control by direct collocation (CasADi + IPOPT), most of them confirmed by a separately
coded costate shooting to 5e-7 kg and flown again with DOP853; vehicles invented, spherical gravity. Only
what the tests need is kept, at full precision.
"""

import json
import sys
from pathlib import Path

KEPT = ("case", "mu_m3_s2", "R_m", "dim", "r0_m", "v0_m_s", "target", "phases", "max_thrust_N", "environment")
OPTIMUM = (
    "propellant_kg", "burn_time_total_s", "last_phase_burn_time_s", "final_mass_kg", "burn_time_s", "coast_time_s",
)  # fmt: skip


def main(folder: Path) -> None:
    """Write the file."""
    cases = {}
    for path in sorted(folder.glob("[VC]*.json")):
        whole = json.loads(path.read_text())
        case = {key: whole[key] for key in KEPT if key in whole and key != "environment"}
        case["optimum"] = {key: whole["optimum"][key] for key in OPTIMUM if key in whole["optimum"]}
        cases[path.stem.split("_")[0]] = case
    out = Path(__file__).parent / "data" / "optimum.json"
    out.write_text(json.dumps(cases, indent=1) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
