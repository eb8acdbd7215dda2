"""The program's variables by the names that tell them apart."""

from collections.abc import Iterable
from pathlib import PurePath

from cyclerule.errors import UnknownName
from cyclerule.firmware.image import Image, Variable


def find_variable(image: Image, name: str) -> Variable:
    """Gives a variable by its name or its link symbol.

    One of several of a name is "function.name", "file.c:name" or "name@file.c"; C++ variables may go without their
    namespace and class. Raises UnknownName with the nearest names, or with those that tell several apart.
    """
    variables = image.variables
    named = [v for v in variables if name in (v.name, v.symbol, *_apart(v))]
    named = named or [v for v in variables if v.name.endswith(f"::{name}")]
    # A global one comes before statics, and of those the one that is asked for by its symbol.
    named = [v for v in named if v.symbol == name and not v.is_static] or [v for v in named if v.name != name] or named
    if len({v.address for v in named}) == 1:
        return named[0]
    if named:
        raise UnknownName(
            "single variable",
            name,
            (),
            hint=f"several have that name: {', '.join(own_name(v, variables) for v in named)}",
        )
    symbol = next((s for s in image.symbols if s.name == name and s.space == "data" and s.size_bytes), None)
    if symbol is not None:
        return Variable(name, symbol.address, None, space="data", size_bytes=symbol.size_bytes, symbol=name)
    raise UnknownName("global variable", name, variable_names(image))


def variable_names(image: Image) -> list[str]:
    """Gives the names of the variables in RAM that `find_variable` takes."""
    return [own_name(variable, image.variables) for variable in image.variables if variable.space == "data"]


def own_name(variable: Variable, among: Iterable[Variable]) -> str:
    """Gives a variable's name, with what tells it apart where several have that name; `find_variable` takes it."""
    if sum(other.name == variable.name for other in among) == 1 or not variable.is_static:
        return variable.name
    return next(iter(_apart(variable)), variable.symbol or variable.name)


def _apart(variable: Variable) -> list[str]:
    if variable.function is not None:
        return [f"{variable.function}.{variable.name}"]
    if variable.file is None:
        return []
    file = PurePath(variable.file).name
    return [f"{variable.name}@{file}", f"{file}:{variable.name}"]
