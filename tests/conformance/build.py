"""Makes everything under clients/conformance/ but its README, and what documents say of laws and events:
python -m tests.conformance.build
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.conformance.exchange_vectors import exchange_files
from tests.conformance.frame_vectors import frame_file
from tests.conformance.law_tables import diagram, protocol_block, with_block
from tests.conformance.schemas import document, schema_files

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "clients" / "conformance"
BLOCKS = {ROOT / "clients" / "PROTOCOL.md": protocol_block, ROOT / "DEVELOPERS.md": diagram}
"""Documents, and what makes the part between their marks."""


def files() -> dict[str, str]:
    """Text of every file, by its path in the folder."""
    made: dict[str, Any] = {"asyncapi.json": document(), "frames.json": frame_file()}
    made |= schema_files() | exchange_files()
    return {name: text_of(content) for name, content in made.items()}


def text_of(content: Any) -> str:
    """JSON; in lists of cases and steps one field a line."""
    if "steps" in content:
        steps = ",\n".join("  {\n" + fields(step, 4) + "\n  }" for step in content["steps"])
        head = fields({key: value for key, value in content.items() if key != "steps"}, 1)
        return "{\n" + head + ',\n "steps": [\n' + steps + "\n ]\n}\n"
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def fields(table: dict[str, Any], spaces: int) -> str:
    """One field a line."""
    lines = (f"{json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}" for key, value in table.items())
    return ",\n".join(" " * spaces + line for line in lines)


def documents() -> dict[Path, str]:
    """Text of every document that has a part between marks."""
    return {path: with_block(path.read_text("utf-8"), block()) for path, block in BLOCKS.items()}


def main() -> None:
    """Write them."""
    for path, text in documents().items():
        path.write_text(text, encoding="utf-8")
    for name, text in files().items():
        path = FOLDER / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
