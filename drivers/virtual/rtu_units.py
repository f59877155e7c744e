"""Units on a virtual RTU line: registers that change, with a memory of what they were when."""

from bisect import bisect_right
from collections.abc import Mapping
from threading import Lock

from drivers.virtual.register_tables import Place, RegisterTable

HISTORY = 20_000  # images remembered a unit; at one a second over five hours


class RtuUnit:
    """One device: a unit number, a register table, and the values it shows now.

    Values may be set in one thread while another serves them.

    Args:
        number: unit number, 1 to 247.
        table: what lies where.
        fill_gaps: answer 0 for registers of no point, instead of refusing the block.
    """

    def __init__(self, number: int, table: RegisterTable, *, fill_gaps: bool = False) -> None:
        self.number = number
        self.table = table
        self._fill_gaps = fill_gaps
        self._lock = Lock()
        self._times_s: list[float] = []
        self._images: list[Mapping[Place, int]] = []
        self._image: Mapping[Place, int] = table.image({})

    def show(self, values: Mapping[str, float | None], at_s: float) -> None:
        """Take new values (by quantity; None or absent is missing), current from `at_s` on."""
        image = self.table.image(values)
        with self._lock:
            self._image = image
            self._times_s.append(at_s)
            self._images.append(image)
            if len(self._images) > HISTORY:
                del self._images[: HISTORY // 4], self._times_s[: HISTORY // 4]

    def image(self) -> Mapping[Place, int]:
        """All registers as they are now."""
        return self._image

    def block(self, image: Mapping[Place, int], table: str, address: int, count: int) -> tuple[int, ...] | None:
        """Cut a block out of an image; None when the device has no such registers."""
        found = [image.get((table, address + n)) for n in range(count)]
        if self._fill_gaps:
            return tuple(word or 0 for word in found) if any(word is not None for word in found) else None
        return None if None in found else tuple(word for word in found if word is not None)

    def was(self, table: str, address: int, count: int, since_s: float, until_s: float) -> list[tuple[int, ...]]:
        """Tell every content a block had between two instants, oldest first, the one before `since_s` included.

        Only a reply with one of these could truly be read in that time.
        """
        with self._lock:
            first = max(0, bisect_right(self._times_s, since_s) - 1)
            last = bisect_right(self._times_s, until_s)
            images = self._images[first:last]
        blocks = (self.block(image, table, address, count) for image in images)
        return [block for block in blocks if block is not None]
