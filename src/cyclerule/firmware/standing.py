"""What became of a function in the program's own build: it stands by itself, or only elsewhere, or nowhere."""

import re
from dataclasses import dataclass
from typing import Literal

from cyclerule.firmware.image import Function, Image

Kind = Literal["as built", "inlined", "cloned", "folded", "removed"]
"""`as built`: it stands by itself; `folded`: its code is that of another function, which has the same.

`inlined` into others and `cloned` for some of its calls: it does not stand by itself; `removed`: no code is left of it.
"""

_PARTIAL = re.compile(r"\.(?:part|cold)\b")
_CLONE = re.compile(r"(?P<name>.+?)\.(?:isra|constprop|part|cold)\b.*")


@dataclass(frozen=True)
class Standing:
    """What became of a function; `key` is its own in `Image.functions`, None where the image knows nothing of it.

    `into` are the functions that it is inlined into, `clones` the keys of its clones, `same_as` the function whose code
    it shares; as the source names them but for the clones.
    """

    kind: Kind
    key: str | None = None
    into: tuple[str, ...] = ()
    clones: tuple[str, ...] = ()
    same_as: str | None = None

    @property
    def text(self) -> str:
        """What became of it, in one line."""
        match self.kind:
            case "inlined":
                rest = f", the rest of it in {', '.join(self.clones)}" if self.clones else ""
                return f"as built it is inlined into {', '.join(self.into)}{rest}"
            case "cloned":
                return f"as built there is only {', '.join(self.clones)}, made by the compiler for the calls there are"
            case "folded":
                return f"as built it has the same code as {self.same_as}: one copy stands for both"
            case "removed":
                return "as built it is removed: nothing calls it, or the compiler worked out what its calls give"
            case _:
                return ""


AS_BUILT = Standing("as built")


def standing_of(image: Image, function: Function | None, name: str) -> Standing:
    """Says what became of a function: one of the image's, or a name that only the source knows."""
    clones = tuple(_clones(image, function, name))
    if function is None:
        return Standing("cloned", None, (), clones) if clones else Standing("removed")
    if function.alias_of is not None:
        return Standing("folded", function.name, same_as=image.functions[function.alias_of].source_name)
    if function.address is not None:
        return Standing("as built", function.name)
    if function.inlined_into:
        into = tuple(dict.fromkeys(image.functions[each].source_name for each in function.inlined_into))
        return Standing("inlined", function.name, into, clones)
    if clones:
        return Standing("cloned", function.name, (), clones)
    return Standing("removed", function.name)


def is_partial(clone: str) -> bool:
    """Whether a clone does only a part of its function's work, the rest being inlined where it is called."""
    return _PARTIAL.search(clone) is not None


def _clones(image: Image, function: Function | None, name: str) -> list[str]:
    # With link-time optimisation only the symbol table tells of some clones.
    names = {name} if function is None else {function.name, function.symbol or function.name}
    found = []
    for key, each in image.functions.items():
        match = _CLONE.fullmatch(each.symbol or key)
        is_named = match is not None and each.address is not None and match["name"] in names
        if is_named or (each.clone_of is not None and each.clone_of in names):
            found.append(key)
    return found
