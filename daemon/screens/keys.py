"""Bytes from a keyboard as names of keys; what is not known is left out."""

import codecs

_SEQUENCES = {
    "[A": "up",
    "[B": "down",
    "[C": "right",
    "[D": "left",
    "[Z": "backtab",
    "[5~": "page-up",
    "[6~": "page-down",
    "OA": "up",
    "OB": "down",
    "OC": "right",
    "OD": "left",
}
_CONTROLS = {"\t": "tab", "\r": "enter", "\n": "enter", "\x7f": "rub", "\x08": "rub", "\x0c": "redraw", "\x15": "clear"}
SEQUENCE_MOST = 16  # characters of one; a longer one is no key
ESC = "\x1b"


class Keys:
    """Takes bytes in pieces of any size; hands back the keys they completed."""

    def __init__(self) -> None:
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._text = ""

    @property
    def waiting(self) -> bool:
        """Whether the beginning of a sequence is held back: a lone escape key, if nothing follows soon."""
        return bool(self._text)

    def feed(self, data: bytes) -> list[str]:
        """Take bytes; a character that can be shown is its own name."""
        self._text += self._decoder.decode(data)
        return self._taken(at_end=False)

    def settle(self) -> list[str]:
        """Nothing followed: what is held back was meant as it stands."""
        return self._taken(at_end=True)

    def _taken(self, *, at_end: bool) -> list[str]:
        found = []
        while self._text:
            if self._text[0] != ESC:
                character, self._text = self._text[0], self._text[1:]
                key = _CONTROLS.get(character, character if character.isprintable() else "")
            else:
                length = _sequence_length(self._text)
                if length == 0 and not at_end:
                    break
                key = "escape" if length in (0, 1) else _SEQUENCES.get(self._text[1:length], "")
                self._text = self._text[max(length, 1) :] if length else ""
            if key:
                found.append(key)
        return found


def _sequence_length(text: str) -> int:
    """How long the sequence at the start of the text is; 0 when its end has not come, 1 for a lone escape."""
    if len(text) < 2:
        return 0
    if text[1] == "O":
        return 3 if len(text) >= 3 else 0
    if text[1] != "[":
        return 1
    for place in range(2, min(len(text), SEQUENCE_MOST)):
        if "@" <= text[place] <= "~":
            return place + 1
    return 0 if len(text) < SEQUENCE_MOST else SEQUENCE_MOST
