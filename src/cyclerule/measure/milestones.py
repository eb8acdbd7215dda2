"""Where a program gets going: `main`, and in a setup()/loop() program the functions `setup` and `loop`."""

from dataclasses import dataclass, field

from cyclerule.firmware.image import Function, Image
from cyclerule.machine.chip import Chip
from cyclerule.measure.layout import main_word

SETUP, LOOP = "setup", "loop"


@dataclass
class Milestones:
    """Flash words of `main`, `setup` and `loop` by name, and the cycles at which control first came there.

    `notes` say what became of `setup` and `loop` where they do not stand by themselves.
    """

    words: dict[str, int] = field(default_factory=dict)
    reached: dict[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def ahead(self) -> frozenset[int]:
        """The words that are still to be reached."""
        return frozenset(word for name, word in self.words.items() if name not in self.reached)

    @property
    def passes(self) -> frozenset[int]:
        """The words of the functions whose calls are passes."""
        return frozenset(word for name, word in self.words.items() if name in (SETUP, LOOP))

    def at_entry(self, word: int, cycle: int) -> None:
        """Notes that control has come to a word."""
        for name, place in self.words.items():
            if place == word:
                self.reached.setdefault(name, cycle)


def find_milestones(image: Image, chip: Chip) -> Milestones:
    """Finds where a program gets going; `setup` and `loop` count only where it has both."""
    words: dict[str, int] = {}
    main = main_word(image, chip)
    if main is not None:
        words["main"] = main
    found = {name: _function(image, name) for name in (SETUP, LOOP)}
    notes = []
    if all(found.values()):
        for name, function in found.items():
            if function is not None and function.address is not None:
                words[name] = function.address // 2
            elif function is not None:
                into = f"inlined into {', '.join(function.inlined_into)}" if function.inlined_into else "dropped"
                notes.append(
                    f"{name}() was {into} by the compiler, so its calls cannot be told apart in this image; "
                    f"`cyclerule time FILE… {name}` times it in place"
                )
    return Milestones(words, notes=tuple(notes))


def _function(image: Image, name: str) -> Function | None:
    named = [each for each in image.functions.values() if each.source_name == name and each.alias_of is None]
    # The function itself comes before clones of it, and one with code before one without.
    named.sort(key=lambda each: (each.address is None, each.clone_of is not None))
    return named[0] if named else None
