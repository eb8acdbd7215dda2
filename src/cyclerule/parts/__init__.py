"""Which chip: memory map, registers and vectors, read from the compiler's own device headers."""

from cyclerule.parts.catalogue import list_parts, load_part
from cyclerule.parts.part import Family, IoRegister, Part, PartSummary

__all__ = ["Family", "IoRegister", "Part", "PartSummary", "list_parts", "load_part"]
