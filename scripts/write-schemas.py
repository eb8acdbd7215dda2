#!/usr/bin/env python3
"""Writes docs/schemas anew: the JSON Schema of each document, as `cyclerule.report.document` has it."""

from pathlib import Path

from cyclerule.report.document import published_schemas

FOLDER = Path(__file__).parents[1] / "docs" / "schemas"

FOLDER.mkdir(exist_ok=True)
for name, text in published_schemas().items():
    (FOLDER / name).write_text(text, "utf-8", newline="\n")
