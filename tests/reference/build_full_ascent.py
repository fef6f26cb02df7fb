"""Rebuilds tests/reference/data/full_ascent.json from the folder of fuel-optimal references.

    python tests/reference/build_full_ascent.py FOLDER

The reference: the whole ascent of an invented two-stage vehicle from the pad through the air, by direct collocation
(CasADi + IPOPT, four starts to the same mass, flown again with DOP853 to 1 m). Only what the tests need is kept.
"""

import json
import sys
from pathlib import Path

ENVIRONMENT = ("mu_m3_s2", "R_m", "omega_rad_s", "gravity", "planet", "atmosphere", "atmosphere_def", "rho_coef",
               "p_coef", "a_coef", "UMAX")  # fmt: skip


def main(folder: Path) -> None:
    """Write the file."""
    whole = json.loads((folder / "A01_two_stage_dense_upper.json").read_text())
    kept = {key: whole[key] for key in ("case", "vehicle", "limits", "target", "model", "objective", "optimum",
                                       "vehicle_thrust_to_weight_liftoff")}  # fmt: skip
    kept["environment"] = {key: whole["environment"][key] for key in ENVIRONMENT}
    out = Path(__file__).parent / "data" / "full_ascent.json"
    out.write_text(json.dumps(kept, indent=1) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
