"""C and C++ types from debug information entries."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar

from cyclerule.firmware.damage import DebugDamage
from cyclerule.firmware.dwarf_entries import Entries, Entry
from cyclerule.firmware.types import (
    AddressSpace,
    ArrayType,
    EnumType,
    Field,
    FloatType,
    FunctionType,
    IntegerType,
    Parameter,
    PointerType,
    ReferenceType,
    StructType,
    Type,
    VoidType,
    size_of,
)

T = TypeVar("T", bound=Type)

_DEPTH_LIMIT = 60
_SIZE_LIMIT = 1 << 24

# DW_AT_address_class is avr-gcc's own number of the named address space (gcc, config/avr/avr.h, ADDR_SPACE_*).
_ADDRESS_SPACES: tuple[AddressSpace, ...] = ("data", "flash", "flash1", "flash2", "flash3", "flash4", "flash5", "memx")

_SIGNED_ENCODINGS = {0x05, 0x06, 0x0D}  # DW_ATE_signed, _signed_char, _signed_fixed
_CHARACTER_NAMES = {"char", "wchar_t", "char8_t", "char16_t", "char32_t"}
_STRUCT_TAGS = {"DW_TAG_structure_type", "DW_TAG_union_type", "DW_TAG_class_type", "DW_TAG_interface_type"}
# Passed through on the way to what a pointer points to.
_TRANSPARENT_TAGS = {"DW_TAG_typedef", "DW_TAG_const_type", "DW_TAG_volatile_type", "DW_TAG_restrict_type"}
_TRANSPARENT_TAGS |= {"DW_TAG_atomic_type", "DW_TAG_array_type"}


class TypeReader:
    """Builds types, each entry once. Its methods raise DebugDamage for a type that makes no sense."""

    def __init__(self, entries: Entries) -> None:
        self._entries = entries
        self._types: dict[int, Type] = {}
        self._open: set[int] = set()
        # A struct may hold a pointer to itself, so the targets of such pointers are filled in when it is complete.
        self._deferred: dict[int, tuple[PointerType, int]] = {}
        self._forms: dict[str, Callable[[Entry], Type]] = {
            "DW_TAG_base_type": self._base,
            # C++'s `decltype(nullptr)`, which is passed as a pointer.
            "DW_TAG_unspecified_type": lambda entry: PointerType(VoidType(), typedef=entry.text("DW_AT_name")),
            "DW_TAG_typedef": self._typedef,
            "DW_TAG_template_alias": self._typedef,
            "DW_TAG_const_type": lambda entry: self._variant(self._target(entry), is_const=True),
            "DW_TAG_volatile_type": lambda entry: self._variant(self._target(entry), is_volatile=True),
            "DW_TAG_restrict_type": self._target,
            "DW_TAG_atomic_type": self._target,
            "DW_TAG_pointer_type": self._pointer,
            "DW_TAG_reference_type": self._pointer,
            "DW_TAG_rvalue_reference_type": self._pointer,
            "DW_TAG_ptr_to_member_type": self._member_pointer,
            "DW_TAG_array_type": self._array,
            "DW_TAG_enumeration_type": self._enumeration,
            "DW_TAG_subroutine_type": self._subroutine,
            **dict.fromkeys(_STRUCT_TAGS, self._struct),
        }

    def type_of(self, entry: Entry) -> Type:
        """Gives the type of a variable, parameter or field, or what a function returns; void where there is none."""
        return self._finished(lambda: self._target(entry))

    def signature(self, result: Entry, parameters: Entry, is_prototyped: bool) -> FunctionType:
        """Gives the type of a function, whose result and parameters may stand with two entries."""
        return self._finished(lambda: self._function(result, parameters, is_prototyped))

    def _finished(self, build: Callable[[], T]) -> T:
        filled: list[PointerType] = []
        try:
            finished = build()
            while self._deferred:
                pointer, offset = next(iter(self._deferred.values()))
                # It stays deferred while its target is read: copies of it made there are then filled in as well.
                self._aim(pointer, self._read(offset))
                filled.append(pointer)
                del self._deferred[id(pointer)]
            done: set[int] = set()
            for pointer in filled:
                self._require_end(pointer, 0, done)
        except DebugDamage:
            for pointer in filled:
                self._aim(pointer, VoidType())
            self._deferred.clear()
            raise
        return finished

    @staticmethod
    def _aim(pointer: PointerType, target: Type) -> None:
        # Types are frozen for everyone who gets one; this one is still being made.
        object.__setattr__(pointer, "target", target)

    def _require_end(self, given: Type, depth: int, done: set[int]) -> None:
        """Raises DebugDamage for a type that leads back to itself with no struct between: C has none."""
        if id(given) in done:
            return
        if depth > _DEPTH_LIMIT:
            raise DebugDamage("a type leads back to itself")
        match given:
            case PointerType(target=target):
                self._require_end(target, depth + 1, done)
            case ArrayType(element=element):
                self._require_end(element, depth + 1, done)
            case FunctionType(parameters=parameters, returns=returns):
                for part in (returns, *(p.type for p in parameters)):
                    self._require_end(part, depth + 1, done)
            case _:
                pass
        done.add(id(given))

    def _target(self, entry: Entry) -> Type:
        offset = entry.reference("DW_AT_type")
        return VoidType() if offset is None else self._read(offset)

    def _read(self, offset: int) -> Type:
        if offset in self._types:
            return self._types[offset]
        entry = self._entries.at(offset)
        if entry is None:
            raise DebugDamage(f"there is no type at {offset}")
        if offset in self._open or len(self._open) > _DEPTH_LIMIT:
            raise DebugDamage(f"type at {offset} contains itself")
        self._open.add(offset)
        try:
            # An unknown kind of type is no damage: a later compiler may have one.
            form = self._forms.get(entry.tag)
            built = VoidType() if form is None else form(entry)
        finally:
            self._open.discard(offset)
        self._types[offset] = built
        return built

    def _variant(self, given: T, **changes: Any) -> T:
        if isinstance(given, ReferenceType) and "typedef" not in changes:
            # A reference cannot be changed anyway, and C++ has no way to write that.
            return given
        changed = replace(given, **changes)
        if isinstance(given, ArrayType) and "typedef" not in changes:
            # C applies a qualifier of an array to its elements.
            object.__setattr__(changed, "element", self._variant(given.element, **changes))
        if isinstance(changed, PointerType) and id(given) in self._deferred:
            self._deferred[id(changed)] = (changed, self._deferred[id(given)][1])
        return changed

    def _typedef(self, entry: Entry) -> Type:
        return self._variant(self._target(entry), typedef=entry.qualified_name)

    def _base(self, entry: Entry) -> Type:
        name, size = entry.text("DW_AT_name") or "", entry.number("DW_AT_byte_size") or 0
        if not 1 <= size <= 32:
            raise DebugDamage(f"type {name} has {size} bytes")
        match entry.number("DW_AT_encoding"):
            case 0x02:  # DW_ATE_boolean
                return IntegerType(name, size, signed=False, is_bool=True)
            case 0x03:  # DW_ATE_complex_float
                half = FloatType("float", size // 2)
                parts = (Field("real", 0, half), Field("imaginary", size // 2, half))
                return StructType(name, size, parts, typedef=name)
            case 0x04:  # DW_ATE_float
                return FloatType(name, size)
            case encoding:
                # Fixed-point numbers are given as the integer that their bits are.
                return IntegerType(name, size, encoding in _SIGNED_ENCODINGS, is_char=name in _CHARACTER_NAMES)

    def _pointer(self, entry: Entry) -> Type:
        size, space = entry.number("DW_AT_byte_size") or 2, entry.number("DW_AT_address_class") or 0
        if not 1 <= size <= 4 or not 0 <= space < len(_ADDRESS_SPACES):
            raise DebugDamage(f"a pointer of {size} bytes into address space {space}")
        make = PointerType if entry.tag == "DW_TAG_pointer_type" else ReferenceType
        offset = entry.reference("DW_AT_type")
        if offset is None or offset in self._types or not self._leads_to_struct_or_function(offset):
            return make(self._target(entry), size, _ADDRESS_SPACES[space])
        pointer = make(VoidType(), size, _ADDRESS_SPACES[space])
        self._deferred[id(pointer)] = (pointer, offset)
        return pointer

    def _leads_to_struct_or_function(self, offset: int | None) -> bool:
        for _ in range(_DEPTH_LIMIT):
            entry = self._entries.at(offset)
            if entry is None:
                return False
            if entry.tag in _STRUCT_TAGS or entry.tag == "DW_TAG_subroutine_type":
                return True
            if entry.tag not in _TRANSPARENT_TAGS:
                return False
            offset = entry.reference("DW_AT_type")
        raise DebugDamage(f"type at {offset} leads back to itself")

    def _member_pointer(self, entry: Entry) -> Type:
        # To a function: its address and an adjustment of `this`, each 2 bytes; to data: an offset
        # (Itanium C++ ABI, section 2.3, with AVR's 16-bit ptrdiff_t).
        target = self._entries.referred(entry, "DW_AT_type")
        is_function = target is not None and target.tag == "DW_TAG_subroutine_type"
        return StructType("pointer to member", 4 if is_function else 2, typedef="pointer to member")

    def _array(self, entry: Entry) -> Type:
        array = self._target(entry)
        for bounds in reversed(entry.children):
            if bounds.tag in {"DW_TAG_subrange_type", "DW_TAG_enumeration_type"}:
                array = ArrayType(array, _count(bounds), is_volatile=array.is_volatile)
        return array if isinstance(array, ArrayType) else ArrayType(array, None)

    def _enumeration(self, entry: Entry) -> Type:
        values = {}
        for child in entry.children:
            name, value = child.text("DW_AT_name"), child.number("DW_AT_const_value")
            if child.tag == "DW_TAG_enumerator" and name is not None and value is not None:
                values[name] = value
        underlying = self._target(entry)
        size = entry.number("DW_AT_byte_size") or size_of(underlying) or 0
        if not 0 <= size <= 8:
            raise DebugDamage(f"an enumeration of {size} bytes")
        signed = underlying.signed if isinstance(underlying, IntegerType) else any(v < 0 for v in values.values())
        return EnumType(entry.qualified_name, size, signed, values)

    def _struct(self, entry: Entry) -> Type:
        size = entry.number("DW_AT_byte_size") or 0
        if not 0 <= size <= _SIZE_LIMIT:
            raise DebugDamage(f"a struct of {size} bytes")
        fields = []
        for child in entry.children:
            # A static member of a class is a variable that is only declared here.
            is_static = child.flag("DW_AT_external") or child.flag("DW_AT_declaration")
            if child.tag == "DW_TAG_inheritance" or (child.tag == "DW_TAG_member" and not is_static):
                field = self._field(child)
                if field is not None:
                    fields.append(field)
        return StructType(
            name=entry.qualified_name,
            size_bytes=size,
            fields=tuple(fields),
            is_union=entry.tag == "DW_TAG_union_type",
            is_class=entry.tag == "DW_TAG_class_type",
            is_complete=not entry.flag("DW_AT_declaration"),
            is_plain=all(_is_plain(f) for f in fields) and not any(self._copies(c, entry) for c in entry.children),
        )

    def _copies(self, child: Entry, struct: Entry) -> bool:
        """Says whether a member function is a destructor, or a constructor from another of its class."""
        name, own = child.text("DW_AT_name") or "", struct.text("DW_AT_name") or ""
        if child.tag != "DW_TAG_subprogram" or name.lstrip("~") != own.partition("<")[0]:
            return False
        given = [c for c in child.children if c.tag == "DW_TAG_formal_parameter" and not c.flag("DW_AT_artificial")]
        if name.startswith("~") or not given:
            return name.startswith("~")
        referred = self._entries.at(given[0].reference("DW_AT_type"))
        if referred is None or referred.tag not in {"DW_TAG_reference_type", "DW_TAG_rvalue_reference_type"}:
            return False
        of = self._entries.at(referred.reference("DW_AT_type"))
        if of is not None and of.tag in {"DW_TAG_const_type", "DW_TAG_volatile_type"}:
            of = self._entries.at(of.reference("DW_AT_type"))
        return of is not None and of.offset == struct.offset

    def _field(self, entry: Entry) -> Field | None:
        name = entry.text("DW_AT_name") or "" if entry.tag == "DW_TAG_member" else ""
        offset = _member_offset(entry)
        if offset is None:
            return None
        kind = self._target(entry)
        bits = entry.number("DW_AT_bit_size")
        if bits is None:
            return Field(name, offset, kind)
        first_bit = entry.number("DW_AT_data_bit_offset")
        if first_bit is None:
            # Before DWARF 4 a bit-field's place is counted from the most significant bit of its storage unit
            # (DWARF 3, section 5.6.6).
            storage = entry.number("DW_AT_byte_size") or size_of(kind) or 0
            first_bit = offset * 8 + storage * 8 - (entry.number("DW_AT_bit_offset") or 0) - bits
        if not 0 <= first_bit <= 8 * _SIZE_LIMIT or not 0 <= bits <= 64:
            raise DebugDamage(f"bit-field {name} of {bits} bits at bit {first_bit}")
        return Field(name, first_bit // 8, kind, bit_offset=first_bit % 8, bit_size=bits)

    def _subroutine(self, entry: Entry) -> Type:
        return self._function(entry, entry, entry.flag("DW_AT_prototyped") or entry.unit.is_cplusplus)

    def _function(self, result: Entry, parameters: Entry, is_prototyped: bool) -> FunctionType:
        has_more = any(child.tag == "DW_TAG_unspecified_parameters" for child in parameters.children)
        described = [self._parameter(c) for c in parameters.children if c.tag == "DW_TAG_formal_parameter"]
        return FunctionType(
            # It tells the constructors of whole objects from those of bases before gcc makes a function of each.
            parameters=tuple(each for each in described if not (each.is_artificial and each.name == "__in_chrg")),
            returns=self._target(result),
            # `f()` in C is written down with unspecified parameters too, and is not variadic.
            variadic=has_more and is_prototyped,
            prototyped=is_prototyped,
        )

    def _parameter(self, entry: Entry) -> Parameter:
        origins = self._entries.chain(entry, "DW_AT_abstract_origin", "DW_AT_specification")
        typed = next((e for e in origins if e.has("DW_AT_type")), entry)
        return Parameter(
            name=next((name for e in origins if (name := e.text("DW_AT_name"))), ""),
            type=self._target(typed),
            is_artificial=any(e.flag("DW_AT_artificial") for e in origins),
        )


def _is_plain(field: Field) -> bool:
    kind = field.type
    while isinstance(kind, ArrayType):
        kind = kind.element
    # The pointer to a class's virtual functions is part of what a copy is told to set.
    return not field.name.startswith("_vptr") and (not isinstance(kind, StructType) or kind.is_plain)


def _count(bounds: Entry) -> int | None:
    count = bounds.number("DW_AT_count")
    if count is None:
        upper = bounds.number("DW_AT_upper_bound")
        if upper is None:
            return None
        count = upper - (bounds.number("DW_AT_lower_bound") or 0) + 1
    # An array of no elements has the upper bound -1, which may be written without a sign.
    return count if 0 <= count <= _SIZE_LIMIT else 0


def _member_offset(entry: Entry) -> int | None:
    """Gives a member's place in bytes; None where it is known only while running (a virtual base class)."""
    location = entry.block("DW_AT_data_member_location")
    if location is None:
        offset = entry.number("DW_AT_data_member_location") or 0
    elif location and location[0] == 0x23:  # DW_OP_plus_uconst, then a number of 7 bits a byte, lowest first
        offset = sum((byte & 0x7F) << (7 * n) for n, byte in enumerate(location[1:6]))
    else:
        return None
    if not 0 <= offset <= _SIZE_LIMIT:
        raise DebugDamage(f"a member {offset} bytes into its struct")
    return offset
