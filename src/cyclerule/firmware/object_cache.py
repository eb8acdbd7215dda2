"""What was compiled and linked before, so that nothing is made twice: by contents, never by date.

A product is filed under its request (everything that was asked for: compiler, command, working folder). A record under
that name lists variants: which files went in, with what contents, and what came out. Products are filed under the hash
of their own contents, so that a damaged one is noticed and made again.
"""

import json
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from cyclerule.cache import write_atomically

LIMIT_BYTES = 500_000_000
_KEPT_VARIANTS = 8
_YOUNGEST_REMOVED_SECONDS = 600
_STORES_BETWEEN_TRIMS = 200


@dataclass(frozen=True)
class Made:
    """A product just made: its bytes, the files that went in, files that would have changed it had they been there.

    `notes` are plain values for JSON to keep beside it. One that not `is_repeatable` depends on more than is known.
    """

    data: bytes
    inputs: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    notes: Mapping[str, Any] = field(default_factory=dict)
    is_repeatable: bool = True


@dataclass(frozen=True)
class Product:
    """A product, `was_made` if not from the cache."""

    data: bytes
    notes: Mapping[str, Any]
    was_made: bool

    @property
    def digest(self) -> str:
        """The hash of its contents."""
        return sha256(self.data).hexdigest()


class ObjectCache:
    """A folder of products; None for a cache that keeps nothing. Several threads and processes may use it at once."""

    def __init__(self, folder: Path | None, *, limit_bytes: int = LIMIT_BYTES) -> None:
        self._folder, self._limit_bytes = folder, limit_bytes
        self._stores = 0

    def product(self, request: Iterable[str], make: Callable[[], Made]) -> Product:
        """Gives the product of a request, from the cache if every file that went into it is still the same."""
        name = _name(request)
        started = time.time_ns()
        found = self._found(name)
        if found is not None:
            return found
        made = make()
        if self._folder is not None and made.is_repeatable:
            # A cache that cannot be written is no reason to fail: the product is there.
            with suppress(OSError):
                self._store(name, made, started)
        return Product(made.data, made.notes, True)

    def found(self, request: Iterable[str]) -> Product | None:
        """Gives the product of a request if the cache has it."""
        return self._found(_name(request))

    def _found(self, name: str) -> Product | None:
        if self._folder is None:
            return None
        return next((found for variant in self._variants(name) if (found := self._product(variant))), None)

    def _variants(self, name: str) -> list[dict[str, Any]]:
        with suppress(OSError, ValueError):
            variants = json.loads(self._record(name).read_text("utf-8"))
            if isinstance(variants, list):
                return [variant for variant in variants if isinstance(variant, dict)]
        return []

    def _product(self, variant: dict[str, Any]) -> Product | None:
        try:
            if any(Path(path).exists() for path in variant["absent"]):
                return None
            if any(_file_digest(path) != digest for path, digest in variant["inputs"].items()):
                return None
            place = self._place(variant["product"])
            data = place.read_bytes()
            notes = variant["notes"]
            if sha256(data).hexdigest() != variant["product"] or not isinstance(notes, dict):
                return None
            # The time of use, for `trim`.
            place.touch()
        except (OSError, KeyError, AttributeError, TypeError, ValueError):
            return None
        return Product(data, notes, False)

    def _store(self, name: str, made: Made, started: int) -> None:
        inputs = {}
        for path in made.inputs:
            # A file written after the compiler was started may not be the one that it read.
            if Path(path).stat().st_mtime_ns >= started:
                return
            inputs[path] = _file_digest(path)
        digest = sha256(made.data).hexdigest()
        variant = {"inputs": inputs, "absent": list(made.absent), "product": digest, "notes": dict(made.notes)}
        others = [v for v in self._variants(name) if v.get("inputs") != inputs]
        write_atomically(self._place(digest), made.data)
        text = json.dumps([variant, *others[: _KEPT_VARIANTS - 1]])
        write_atomically(self._record(name), text.encode("utf-8"))
        if self._stores % _STORES_BETWEEN_TRIMS == 0:
            self.trim()
        self._stores += 1

    def trim(self, *, youngest_seconds: float = _YOUNGEST_REMOVED_SECONDS) -> None:
        """Removes what was not used for longest once the folder has grown beyond its limit.

        What was used a moment ago stays, since another process may be about to read it.
        """
        if self._folder is None:
            return
        files = []
        for path in self._folder.rglob("*"):
            with suppress(OSError):
                status = path.stat()
                if path.is_file():
                    files.append((status.st_mtime, status.st_size, path))
        total = sum(size for _, size, _ in files)
        if total <= self._limit_bytes:
            return
        newest_removed = time.time() - youngest_seconds
        for used, size, path in sorted(files):
            if total <= self._limit_bytes * 4 // 5 or used > newest_removed:
                break
            with suppress(OSError):
                path.unlink()
                total -= size

    def _record(self, name: str) -> Path:
        assert self._folder is not None  # noqa: S101 (for the type checker: every caller has asked)
        return self._folder / name[:2] / f"{name}.json"

    def _place(self, digest: str) -> Path:
        assert self._folder is not None  # noqa: S101 (as above)
        return self._folder / digest[:2] / f"{digest}.product"


def _name(request: Iterable[str]) -> str:
    return sha256("\0".join(request).encode("utf-8", "surrogateescape")).hexdigest()


def _file_digest(path: str) -> str:
    return sha256(Path(path).read_bytes()).hexdigest()
