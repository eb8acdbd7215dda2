"""What several JSON documents have in common."""

from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

Value = Annotated[
    int | float | str | list[Any] | dict[str, Any] | None,
    Meta(description="A number; bytes in hexadecimal; a text; a float that JSON has no word for as inf, -inf or nan."),
]
Count = Annotated[int, Meta(ge=0)]
Clock = Annotated[int | None, Meta(description="The CPU clock in hertz; null where none was given: no times then.")]
Files = Annotated[list[str], Meta(description="The files that were given.")]
Remarks = Annotated[list[str], Meta(description="Each a text for people.")]


class Build(Struct, frozen=True, kw_only=True):
    """What was measured: the compiler, the flags that change code, and the image."""

    compiler: Annotated[str | None, Meta(description="Name and version; null for a file that was linked before.")]
    flags: list[str]
    image: Literal["as built", "kept copy", "with marks", "build with code before"]
    image_sha256: Annotated[str, Meta(pattern="^[0-9a-f]{64}$", description="SHA-256 of the flash contents.")]


class Write(Struct, frozen=True, kw_only=True):
    """A write to an I/O register."""

    cycle: Annotated[int, Meta(ge=0, description="From the call's first instruction to the end of the writing one.")]
    register: str
    value: Annotated[int, Meta(ge=0, le=255)]
