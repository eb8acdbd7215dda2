"""Reads the published figures of this folder; README.md says where each is from."""

import csv
from pathlib import Path


def rows(name: str) -> list[dict[str, str]]:
    """Gives a table's rows, each from column name to text."""
    with (Path(__file__).parent / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
