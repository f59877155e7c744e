"""Names of MQTT topics: what a level may hold, and how any text becomes one.

The rules are those of MQTT 3.1.1, section 4.7: levels are parted by a slash, "+" and "#" are wildcards of
those who listen and stand in no name, a name that begins with "$" is the broker's own, U+0000 is forbidden.
Control characters, which the standard advises against, are refused as well.
"""

import unicodedata
import zlib

LEVEL_MOST = 80  # characters of one level
PREFIX_MOST = 120  # characters; a topic may have 65535 bytes
PREFIX_WORDS = (
    f"a topic of 1 to {PREFIX_MOST} characters, such as halfmark/cold-fork: levels parted by single slashes, none of "
    "them empty, without the wildcards + and #, not beginning with $"
)
_REPLACED = "_"


def topic_level(text: str) -> str:
    """Make any text fit to stand as one level of a topic.

    What can't stand there is replaced, and a short sum over the whole text is added then, so that two
    texts never share a level because of it.

    Args:
        text: any text.
    Returns: 1 to LEVEL_MOST characters without slash, wildcard and control characters.
    """
    fit = "".join(_REPLACED if _is_unfit(character) else character for character in text[:LEVEL_MOST])
    if fit == text and fit and not fit.startswith("$"):
        return fit
    mark = f"{_REPLACED}{zlib.crc32(text.encode('utf-8', 'surrogatepass')):08x}"
    return f"{fit.lstrip('$')[: LEVEL_MOST - len(mark)]}{mark}"


def is_prefix(text: str) -> bool:
    """Tell whether topics may begin with a text, followed by a slash and more."""
    if not 1 <= len(text) <= PREFIX_MOST or text.startswith("$"):
        return False
    return all(level and not any(map(_is_unfit, level)) for level in text.split("/"))


def _is_unfit(character: str) -> bool:
    # Cc controls, Cf invisible ones, Cs half pairs no UTF-8 can hold, Co and Cn what nobody has given a meaning.
    return character in "/+#\u2028\u2029" or unicodedata.category(character)[0] == "C"
