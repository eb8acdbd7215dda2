"""Writing LLVM text around structures that Python shares: fields by name, labels, branches."""

import ctypes

from cyclerule.engines.llvm.layout import offset


class Writer:
    """Writes the body of one LLVM function."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self._count = 0

    def put(self, instruction: str) -> str:
        """Writes an instruction that gives a value, and gives the value's name."""
        self._count += 1
        name = f"%n{self._count}"
        self.lines.append(f"  {name} = {instruction}")
        return name

    def do(self, instruction: str) -> None:
        """Writes an instruction that gives nothing, or names its value itself."""
        self.lines.append(f"  {instruction}")

    def label(self, name: str) -> None:
        """Begins a block."""
        self.lines.append(f"{name}:")

    def branch(self, condition: str, if_true: str, if_false: str) -> None:
        """Ends a block by going one of two ways."""
        self.do(f"br i1 {condition}, label %{if_true}, label %{if_false}")

    def go(self, label: str) -> None:
        """Ends a block by going on at another."""
        self.do(f"br label %{label}")

    def compare(self, how: str, left: str, right: str | int, kind: str = "i64") -> str:
        """Writes a comparison."""
        return self.put(f"icmp {how} {kind} {left}, {right}")

    def element(self, base: str, index: str, kind: str = "i8") -> str:
        """Writes the address of an element of an array."""
        return self.put(f"getelementptr {kind}, ptr {base}, i64 {index}")

    def at(self, base: str, structure: type[ctypes.Structure], field: str, index: str | None = None) -> str:
        """Writes the address of a structure's field, or of an element of a field that is an array of 64-bit numbers."""
        place = self.put(f"getelementptr i8, ptr {base}, i64 {offset(structure, field)}")
        return place if index is None else self.element(place, index, "i64")


class Record:
    """One structure in memory: reads and writes its fields."""

    def __init__(self, writer: Writer, base: str, structure: type[ctypes.Structure]) -> None:
        self._writer, self._base, self._structure = writer, base, structure

    def load(self, field: str, kind: str = "i64", index: str | None = None) -> str:
        """Writes a read of a field."""
        return self._writer.put(f"load {kind}, ptr {self._writer.at(self._base, self._structure, field, index)}")

    def store(self, field: str, value: str, kind: str = "i64", index: str | None = None) -> None:
        """Writes a write of a field."""
        self._writer.do(f"store {kind} {value}, ptr {self._writer.at(self._base, self._structure, field, index)}")

    def add(self, field: str, amount: str, index: str | None = None) -> None:
        """Writes an addition to a field of 64 bits."""
        total = self._writer.put(f"add i64 {self.load(field, index=index)}, {amount}")
        self.store(field, total, index=index)
