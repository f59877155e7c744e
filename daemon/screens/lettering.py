"""How words and numbers are set on a screen: cleaned, measured in columns, cut, aligned.

Names come from a file somebody wrote, and errors from devices: no control byte, nothing that turns
the direction of writing, and no mark that piles up may reach a terminal or a message.
"""

import unicodedata
from collections.abc import Iterator

# The basic table of the GSM 7 bit default alphabet, 3GPP TS 23.038 section 6.2.1 (from memory), without escape,
# line feed and carriage return. The extension table's characters count twice in a message and are not used.
GSM7 = frozenset(
    "@£$¥èéùìòÇØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
SUBSTITUTE = "?"
SOURCE_MAX = 1000  # characters looked at in one text from outside; no screen has room for more


def clean(text: str) -> str:
    """Make a text from outside fit for one line of a terminal: composed, printable, nothing that piles up."""
    composed = unicodedata.normalize("NFC", " ".join(text[:SOURCE_MAX].split()))
    return "".join(
        character if character.isprintable() else SUBSTITUTE
        for character in composed
        if unicodedata.category(character) not in ("Mn", "Me")
    )


def to_ascii(text: str) -> str:
    """Set a cleaned text in ASCII: accents dropped, the screens' own signs spelled out, the rest a question mark."""
    return "".join(_spelled(character) for character in text)


def to_gsm7(text: str) -> str:
    """Set a cleaned text in the basic GSM alphabet, one septet a character."""
    return "".join(_in_gsm7(character) for character in text)


def _in_gsm7(character: str) -> str:
    if character in GSM7:
        return character
    return "".join(c if c in GSM7 else SUBSTITUTE for c in _spelled(character))


_SPELLED = {"±": "+-", "°": "", "·": ".", "–": "-", "…": "..."}


def _spelled(character: str) -> str:
    if character.isascii():
        return character
    if character in _SPELLED:
        return _SPELLED[character]
    plain = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode("ascii")
    return plain if plain.isprintable() and plain else SUBSTITUTE


def columns(text: str) -> int:
    """Count the columns a cleaned text takes in a terminal; East Asian wide characters take two."""
    return sum(_width(character) for character in text)


def cut(text: str, room: int, end: str = "..") -> str:
    """Cut a cleaned text to so many columns; `end` shows that something is missing."""
    if columns(text) <= room:
        return text
    kept, used = [], 0
    for character in text:
        used += _width(character)
        if used > room - len(end):
            break
        kept.append(character)
    return ("".join(kept).rstrip() + end)[: max(room, 0)]


def pad(text: str, room: int) -> str:
    """Cut or fill a cleaned text to exactly so many columns."""
    short = cut(text, room)
    return short + " " * (room - columns(short))


def wrap(text: str, room: int) -> Iterator[str]:
    """Break a cleaned text at spaces into lines of at most so many columns; a longer word is cut."""
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if columns(longer) <= room:
            line = longer
            continue
        if line:
            yield line
        line = cut(word, room)
    if line:
        yield line


def _width(character: str) -> int:
    return 2 if unicodedata.east_asian_width(character) in ("W", "F") else 1


def span(seconds: float) -> str:
    """Say a length of time in at most two units: 0.4 s, 12 s, 5 min, 3 h 20 min, 2 d 4 h."""
    if seconds < 0.0:
        return "-" + span(-seconds)
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    minutes = int(seconds / 60.0 + 0.5)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours and days < 100 else f"{days} d"


def span_short(seconds: float) -> str:
    """Say a length of time in one word: 12s, 5min, 3h, 2d."""
    for size_s, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= size_s * (2.0 if unit == "d" else 1.0):
            return f"{seconds / size_s:.0f}{unit}"
    return f"{max(seconds, 0.0):.0f}s"
