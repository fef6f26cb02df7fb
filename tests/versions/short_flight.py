"""One flight of the demo's tanker with service, simulated vehicle and script as processes; run by an installed copy.

    python short_flight.py FOLDER

The limit on both apsides is that of `closed_loop/test_demo.py`: 20 m at insertion.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
from pathlib import Path

from guidance_svc.demo.missions import MISSIONS
from guidance_svc.demo.running import run_demo

LIMIT_M = 20.0


def main(out: Path) -> int:
    """Fly; 0 where it came to its orbit."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        code = run_demo(out, as_json=True, missions=[m for m in MISSIONS if m.vehicle == "Bargeman"], plain=True)
    if code:
        return code
    rows = json.loads(said.getvalue())["rows"]
    insertion = {row["quantity"]: row["error"] for row in rows if row["moment"] == "insertion"}
    errors_m = [insertion[apsis] for apsis in ("perigee", "apogee")]
    if any(abs(error_m) > LIMIT_M for error_m in errors_m):
        print(f"perigee and apogee off by {errors_m} m; allowed {LIMIT_M:g}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
