"""Where records begin and end in a stream of bytes that nobody asked for.

What is handed on is whole as far as its boundaries tell; whether it is right is for the checksum and the
decoder. After the start, after a pause inside a record and after a record that grew too long nothing is
handed on until a boundary has been seen.
"""

from dataclasses import dataclass

from drivers.text_maps import TextMap

RECORD_MOST = 1024  # bytes


@dataclass(frozen=True, slots=True)
class Piece:
    """A record from boundary to boundary; `why` says why it can't be one, and is empty when it can."""

    record: bytes
    why: str = ""


class TextFramer:
    """Cuts a stream into records; the pieces it is fed in may be of any size."""

    def __init__(self, text_map: TextMap) -> None:
        self._map = text_map
        self._first = (text_map.first_key + text_map.equals).encode() if text_map.first_key else b""
        self._by_mark = text_map.check.kind != "none" and text_map.check.notation == "byte"
        self._many_lines = text_map.shape == "pairs" and text_map.ends in ("blank-line", "first-key")
        self._buffer = bytearray()
        self._looked = 0  # bytes of the buffer in which no boundary begins
        self._lines: list[bytes] = []
        self._in_step = False
        self._ended = False  # the record of these lines is whole
        self._heard_s = 0.0

    def reset(self) -> None:
        """Forget what was half heard, as after opening the port."""
        self._buffer.clear()
        self._lines.clear()
        self._looked = 0
        self._in_step = self._ended = False

    def feed(self, data: bytes, now_s: float) -> list[Piece]:
        """Take bytes; hand back the records they completed."""
        pieces: list[Piece] = []
        pause_s = now_s - self._heard_s
        if (self._buffer or self._lines) and pause_s > self._map.pause_most_s:
            if self._in_step:
                pieces.append(Piece(self._open_part(), f"it halted for {pause_s:.2g} s"))
            self.reset()
            self._in_step = self._map.check.kind != "none"  # it may begin anew here; the check will tell
        self._heard_s = now_s
        self._buffer += data
        take = self._take_marked if self._by_mark else self._take_line
        while take(pieces):
            pass
        if len(self._buffer) + sum(map(len, self._lines)) > RECORD_MOST:
            pieces.append(Piece(self._open_part(), f"no end in {RECORD_MOST} bytes: are the speed and the map right?"))
            self.reset()
        return pieces

    def _open_part(self) -> bytes:
        return bytes(self._map.line_end.join([*self._lines, self._buffer]))

    def _find(self, what: bytes) -> int:
        """Where something is in the buffer; what was looked through before is not looked through again."""
        at = self._buffer.find(what, self._looked)
        self._looked = max(0, len(self._buffer) - len(what) + 1) if at < 0 else 0
        return at

    # -- records that end behind a raw check value -------------------------------------------------

    def _take_marked(self, pieces: list[Piece]) -> bool:
        check = self._map.check
        at = self._find(check.mark)
        end = at + len(check.mark) + check.width
        if at < 0 or len(self._buffer) < end:
            self._looked = max(0, at) or self._looked
            return False
        chunk = bytes(self._buffer[:end])
        del self._buffer[:end]
        begin_at, begun = self._begin(chunk, at)
        if self._in_step and chunk[:begin_at].strip(b"\r\n"):
            pieces.append(Piece(chunk[:begin_at], "its end is missing"))
        if begun or self._in_step:
            pieces.append(Piece(chunk[begin_at:]))
        self._in_step = True
        return True

    def _begin(self, chunk: bytes, mark_at: int) -> tuple[int, bool]:
        """Where the record that the chunk ends with begins, and whether that shows it to be whole."""
        line_end, ends = self._map.line_end, self._map.ends
        boundary = {"line": line_end, "blank-line": line_end * 2, "first-key": line_end + self._first, "check": b""}[
            ends
        ]
        if self._map.start:
            at = chunk.rfind(self._map.start, 0, mark_at)
            return (at, True) if at >= 0 else (0, False)
        if ends == "check":
            return 0, False
        boundary = line_end * 2 if ends == "blank-line" else line_end + self._first
        at = chunk.rfind(boundary, 0, mark_at)
        if at >= 0:
            return at + len(boundary) - len(self._first), True
        if ends == "first-key":
            return 0, chunk.startswith(self._first)
        return (len(line_end) if chunk.startswith(line_end) else 0), False

    # -- records of lines --------------------------------------------------------------------------

    def _take_line(self, pieces: list[Piece]) -> bool:
        at = self._find(self._map.line_end)
        if at < 0:
            return False
        line = bytes(self._buffer[:at])
        del self._buffer[: at + len(self._map.line_end)]
        if self._many_lines:
            self._add_line(line, pieces)
        elif self._map.start:
            self._split_line(line, pieces)
            self._in_step = True
        else:
            if self._in_step and line:
                pieces.append(Piece(line))
            self._in_step = True
        return True

    def _split_line(self, line: bytes, pieces: list[Piece]) -> None:
        """Records each begin with the start; those before another one have lost their line end, or more."""
        start = self._map.start
        before, *parts = line.split(start)
        if before and self._in_step:
            pieces.append(Piece(before, f"it does not begin with {start.decode()}"))
        for part in parts[:-1]:
            checked = self._map.check.kind != "none"
            pieces.append(Piece(start + part, "" if checked else "its end is missing"))
        if parts:
            pieces.append(Piece(start + parts[-1]))

    def _add_line(self, line: bytes, pieces: list[Piece]) -> None:
        begins = line.startswith(self._first) if self._first else not line
        if begins:
            if self._lines:
                pieces.append(Piece(self._map.line_end.join(self._lines), "it ends too early"))
                self._lines.clear()
            self._in_step, self._ended = True, False
        if not self._in_step or not line:
            return
        if self._ended or (self._first and not begins and not self._lines):
            pieces.append(Piece(line, "it stands where a record must begin"))
            self._in_step = False
            return
        self._lines.append(line)
        check = self._map.check
        if check.mark in line if check.kind != "none" else len(self._lines) == self._map.fields:
            pieces.append(Piece(self._map.line_end.join(self._lines)))
            self._lines.clear()
            self._ended = True
