"""What a program sent over its serial port, as text that is safe to read: nothing in it acts on a terminal."""

import codecs


class SerialText:
    """Turns bytes into readable text as they come: UTF-8, and hexadecimal for the rest.

    Line breaks and tabs stay as they are; a carriage return in front of a line break belongs to it.
    """

    def __init__(self) -> None:
        self._decoder = codecs.getincrementaldecoder("utf-8")("backslashreplace")
        self._has_return = False

    def feed(self, data: bytes, *, is_last: bool = False) -> str:
        """Gives the text of more bytes, as far as it is certain; with the last ones all that is left."""
        shown = []
        for character in self._decoder.decode(data, is_last):
            if self._has_return and character != "\n":
                shown.append("\\r")
            self._has_return = character == "\r"
            if not self._has_return:
                shown.append(character if character.isprintable() or character in "\n\t" else _escaped(character))
        if is_last and self._has_return:
            shown.append("\\r")
            self._has_return = False
        return "".join(shown)


def readable(data: bytes) -> str:
    """Gives all that was sent as readable text."""
    return SerialText().feed(data, is_last=True)


def _escaped(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")
