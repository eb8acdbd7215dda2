"""The last figures of each measurement, to set the next ones against."""

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple, TypeVar

VERSION = 1
"""Of the tables; a file of another version is left alone."""

MOST_RESULTS = 10_000
"""The oldest beyond so many are dropped."""

PATIENCE_SECONDS = 1.0
"""How long another process may hold the file."""

_TABLE = """CREATE TABLE IF NOT EXISTS last_result (
    key TEXT PRIMARY KEY, minimum INTEGER NOT NULL, maximum INTEGER NOT NULL,
    compiler TEXT, flags TEXT NOT NULL, image TEXT NOT NULL, number INTEGER NOT NULL
)"""

_Answer = TypeVar("_Answer")


class Figures(NamedTuple):
    """The least and the most cycles of a measurement, and what they were measured on."""

    minimum: int
    maximum: int
    compiler: str | None
    flags: tuple[str, ...]
    image: str


def result_key(facts: object) -> str:
    """Gives a key from all that makes two measurements the same: lists, mappings, texts and numbers."""
    return sha256(json.dumps(facts, sort_keys=True, ensure_ascii=True).encode("ascii")).hexdigest()


@dataclass
class LastResults:
    """The last figures by key, in a file and for as long as this lives; without a file only that.

    Nothing that is wrong with the file is an error: a damaged one is set aside, one that cannot be used is left alone.
    """

    file: Path | None
    _held: dict[str, Figures] = field(default_factory=dict)

    def find(self, key: str) -> Figures | None:
        """Gives the last figures of a measurement; None where there are none."""
        if key in self._held:
            return self._held[key]

        def read(table: sqlite3.Connection) -> Figures | None:
            row = table.execute(
                "SELECT minimum, maximum, compiler, flags, image FROM last_result WHERE key = ?", (key,)
            ).fetchone()
            return None if row is None else Figures(row[0], row[1], row[2], tuple(json.loads(row[3])), row[4])

        return self._do(read)

    def keep(self, key: str, figures: Figures) -> None:
        """Keeps the figures of a measurement in place of those before."""
        self._held[key] = figures
        values = (key, figures.minimum, figures.maximum, figures.compiler, json.dumps(figures.flags), figures.image)

        def write(table: sqlite3.Connection) -> None:
            table.execute(
                "INSERT OR REPLACE INTO last_result "
                "SELECT ?, ?, ?, ?, ?, ?, COALESCE(MAX(number), 0) + 1 FROM last_result",
                values,
            )
            table.execute(
                "DELETE FROM last_result WHERE number <= (SELECT MAX(number) FROM last_result) - ?", (MOST_RESULTS,)
            )

        self._do(write)

    def _do(self, work: Callable[[sqlite3.Connection], _Answer]) -> _Answer | None:
        """Does something with the table; None where it cannot be done."""
        if self.file is None:
            return None
        for _ in range(2):
            try:
                with self._table(self.file) as table:
                    return None if table is None else work(table)
            except sqlite3.OperationalError:
                # Held by another process, full, not to be written.
                return None
            except (sqlite3.DatabaseError, ValueError, TypeError):
                try:
                    self.file.replace(self.file.with_suffix(".damaged"))
                except OSError:
                    return None
            except OSError:
                return None
        return None

    @contextmanager
    def _table(self, file: Path) -> Iterator[sqlite3.Connection | None]:
        file.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(file, timeout=PATIENCE_SECONDS)) as table:
            version = table.execute("PRAGMA user_version").fetchone()[0]
            if version not in (0, VERSION):
                yield None
                return
            with table:
                if version == 0:
                    table.execute(_TABLE)
                    table.execute(f"PRAGMA user_version = {VERSION}")
                yield table
