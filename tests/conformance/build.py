"""Makes everything under clients/conformance/ but its README: python -m tests.conformance.build"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.conformance.schemas import document, schema_files

FOLDER = Path(__file__).parents[2] / "clients" / "conformance"


def files() -> dict[str, str]:
    """Text of every file, by its path in the folder."""
    made: dict[str, Any] = {"asyncapi.json": document()} | schema_files()
    return {name: json.dumps(content, indent=1, ensure_ascii=False) + "\n" for name, content in made.items()}


def main() -> None:
    """Write them."""
    for name, text in files().items():
        path = FOLDER / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
