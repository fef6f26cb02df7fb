"""Rebuilds optimum.json and the coast, landing and return_optimum.json in tests/reference/data from the references.

    python tests/reference/build_optimum.py FOLDER

The references: optimal control by direct collocation (CasADi + IPOPT), most of them confirmed by a separately
coded costate shooting to 5e-7 kg and flown again with DOP853; vehicles invented, spherical gravity. Only
what the tests need is kept, at full precision.
"""

import json
import sys
from pathlib import Path

KEPT = ("case", "mu_m3_s2", "R_m", "dim", "r0_m", "v0_m_s", "target", "phases", "max_thrust_N", "environment")
LANDING = (
    "case", "gravity_m_s2", "air", "drag_area_times_cd_m2", "m0_kg", "exhaust_velocity_vac_m_s", "burns",
    "coast_before_first_burn", "r0_m", "v0_m_s", "rf_m", "vf_m_s", "constraints",
)  # fmt: skip
RETURN = ("case", "body", "air", "drag", "engine", "start", "target", "plan", "constraints")
OPTIMUM = (
    "propellant_kg", "burn_time_total_s", "last_phase_burn_time_s", "final_mass_kg", "burn_time_s", "coast_time_s",
)  # fmt: skip


def main(folder: Path) -> None:
    """Write the file."""
    cases: dict[str, object] = {}
    for path in sorted(folder.glob("[VC]*.json")):
        whole = json.loads(path.read_text())
        case = {key: whole[key] for key in KEPT if key in whole and key != "environment"}
        case["optimum"] = {key: whole["optimum"][key] for key in OPTIMUM if key in whole["optimum"]}
        cases[path.stem.split("_")[0]] = case
    write("optimum", cases)
    write("coast_optimum", {path.stem.split("_from_")[1]: with_coasts(path) for path in sorted(folder.glob("W*.json"))})
    landings = {path.stem.split("_")[0]: landing(path) for path in sorted(folder.glob("L0[1-7]*.json"))}
    write("landing_optimum", landings | {"D01": always_lit(folder / "D01_descent_mars_like.json")})
    write("return_optimum", {path.stem.split("_")[0]: way_home(path) for path in sorted(folder.glob("B*.json"))})


def way_home(path: Path) -> dict[str, object]:
    """A booster's return: a local optimum of the collocation, flown again with DOP853."""
    whole = json.loads(path.read_text())
    case: dict[str, object] = {key: whole[key] for key in RETURN}
    kept = ("propellant_kg", "total_time_s", "durations_s", "landed_at_downrange_m")
    return case | {"optimum": {key: whole["optimum"][key] for key in kept}}


def landing(path: Path) -> dict[str, object]:
    """A powered landing: a local optimum of the collocation, flown again with DOP853."""
    whole = json.loads(path.read_text())
    case = {key: whole[key] for key in LANDING if key in whole}
    case["optimum"] = {key: whole["optimum"][key] for key in ("propellant_kg", "total_time_s", "durations_s")}
    return case


def always_lit(path: Path) -> dict[str, object]:
    """A powered descent whose engine never goes out and may lean; collocation and costate shooting agree."""
    whole = json.loads(path.read_text())
    most_n = whole["thrust_max_N"]
    least = whole["thrust_min_N"] / most_n
    burn = {"thrust_vac_n": most_n, "throttle_min": least, "throttle_max": 1.0, "exit_area_m2": 0.0}
    return {
        "case": whole["case"], "gravity_m_s2": whole["gravity_m_s2"], "air": None, "drag_area_times_cd_m2": 0.0,
        "m0_kg": whole["m0_kg"], "exhaust_velocity_vac_m_s": whole["ve_m_s"], "burns": [burn],
        "coast_before_first_burn": False, "r0_m": whole["r0_m"], "v0_m_s": whole["v0_m_s"], "rf_m": whole["rf_m"],
        "vf_m_s": whole["vf_m_s"], "constraints": {},
        "optimum": {"propellant_kg": whole["optimum"]["propellant_kg"]},
    }  # fmt: skip


def with_coasts(path: Path) -> dict[str, object]:
    """The least propellant of a V case with one coast to the target state, and with a second one to its perigee."""
    whole = json.loads(path.read_text())
    one, two = (whole[f"best_with_{name}"] for name in (
        "one_coast_to_the_target_state", "two_coasts_the_second_to_the_perigee"))  # fmt: skip
    kept = ("propellant_kg", "saving_against_continuous_kg", "min_altitude_after_floor_first_reached_m")
    return {
        "limits": whole["limits"],
        "cutoff": {key: one[key] for key in kept},
        "apogee": {key: two[key] for key in kept},
        "cutoff_with_floor_on_the_coasts_only": {key: whole["same_with_floor_on_the_coasts_only"][key] for key in kept},
    }


def write(name: str, cases: dict[str, object]) -> None:
    """One file of cases."""
    (Path(__file__).parent / "data" / f"{name}.json").write_text(json.dumps(cases, indent=1) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
