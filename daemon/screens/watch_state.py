"""Which page `watch` shows, what a key does to it, and the whole screen at any size. Pure."""

from dataclasses import dataclass, field

from daemon.picture import AlertPicture
from daemon.screens.lettering import clean, columns, cut, wrap
from daemon.screens.overview import first_line, overview
from daemon.screens.pages import alerts_page, choice_page, days_page, help_page, instruments_page
from daemon.screens.spans import Line, Span, fit, in_ascii, line
from daemon.screens.verdict import alert_title, by_severity
from daemon.screens.view import Signs, View

PAGES = ("overview", "instruments", "alerts", "past days")
CHOICES = 9  # one digit chooses
NOTE_MOST = 120
TEXT_KEY = 1  # a key whose name is one character is that character


@dataclass(frozen=True, slots=True)
class TakeOn:
    """The operator takes an alert on."""

    alert: str
    note: str


@dataclass(slots=True)
class WatchState:
    """What the person at the keys has chosen; `mode` is "page", "help", "choose" or "note"."""

    page: int = 0
    mode: str = "page"
    top: int = 0  # first line of a long page that is seen
    chosen: AlertPicture | None = None
    note: str = ""
    message: str = ""
    leaving: bool = False
    _choices: list[AlertPicture] = field(default_factory=list)

    def press(self, key: str, view: View) -> TakeOn | None:
        """Take one key; hands back what the service must be told."""
        self.message = ""
        if self.mode == "note":
            return self._write(key)
        if self.mode == "choose":
            self._choose(key)
        elif key == "q":
            self.leaving = True
        elif self.mode == "help":
            self.mode = "page"
        else:
            self._turn(key, view)
        return None

    def _turn(self, key: str, view: View) -> None:
        steps = {"tab": 1, "n": 1, "right": 1, "backtab": -1, "p": -1, "left": -1}
        scrolls = {"up": -1, "down": 1, "page-up": -10, "page-down": 10, "k": -1, "j": 1}
        if key in steps:
            self.page, self.top = (self.page + steps[key]) % len(PAGES), 0
        elif key in "1234" and len(key) == TEXT_KEY:
            self.page, self.top = int(key) - 1, 0
        elif key in scrolls:
            self.top = max(0, self.top + scrolls[key])
        elif key in ("?", "h"):
            self.mode, self.top = "help", 0
        elif key == "a":
            self._offer(view)

    def _offer(self, view: View) -> None:
        if view.look is None or not view.look.told.live:
            self.message = "the service is not there: nothing can be taken on now"
            return
        self._choices = by_severity(view.look.picture["alerts"])[:CHOICES]
        if self._choices:
            self.mode, self.top = "choose", 0
        else:
            self.message = "no alert stands"

    def _choose(self, key: str) -> None:
        if key in ("escape", "q"):
            self.mode = "page"
        elif key.isdigit() and key.isascii() and 1 <= int(key) <= len(self._choices):
            self.chosen, self.note, self.mode = self._choices[int(key) - 1], "", "note"

    def _write(self, key: str) -> TakeOn | None:
        if key == "escape":
            self.mode = "page"
        elif key == "enter":
            assert self.chosen is not None
            self.mode, self.message = "page", "telling the service ..."
            return TakeOn(self.chosen["alert"], clean(self.note))
        elif key == "rub":
            self.note = self.note[:-1]
        elif key == "clear":
            self.note = ""
        elif len(key) == TEXT_KEY and len(self.note) < NOTE_MOST:
            self.note += key
        return None

    # -- drawing -------------------------------------------------------------------------------

    def draw(self, view: View, room: int, rows: int, signs: Signs) -> list[Line]:
        """Give the whole screen: at most `rows` lines, none wider than `room` columns."""
        has_foot = rows >= 6 or self.mode == "note" or bool(self.message)
        body_rows = rows - 1 if has_foot else rows
        body = self._body(view, room, body_rows, signs)[:body_rows]
        if has_foot:
            body += [()] * (body_rows - len(body))
            body.append(self._foot(room))
        lines = [fit(row, room) for row in body]
        return [fit(in_ascii(row), room) for row in lines] if signs.ascii_only else lines

    def _body(self, view: View, room: int, rows: int, signs: Signs) -> list[Line]:
        if self.mode == "help":
            return self._scrolled([line(Span("How to read and use this screen", "head"))], help_page(room, signs), rows)
        if view.look is None:
            words = view.trouble or "asking the service ..."
            tone = "bad" if view.trouble else ""
            return [line(Span(part, tone)) for text in words.split("\n") for part in wrap(clean(text), room)]
        head = [first_line(view, room)]
        if self.mode in ("choose", "note"):
            return self._scrolled(head, choice_page(self._choices, room), rows)
        match PAGES[self.page]:
            case "instruments":
                return self._scrolled(head, instruments_page(view, room), rows)
            case "alerts":
                return self._scrolled(head, alerts_page(view, room), rows)
            case "past days":
                return self._scrolled(head, days_page(view, room, signs), rows)
        return overview(view, room, rows, signs)

    def _scrolled(self, head: list[Line], page: list[Line], rows: int) -> list[Line]:
        """The part of a long page that is chosen; its last row says how much more there is."""
        room = max(1, rows - len(head))
        if len(page) <= room:
            self.top = 0
            return [*head, *page]
        self.top = min(self.top, len(page) - room + 1)
        shown = page[self.top : self.top + room - 1]
        left = len(page) - self.top - len(shown)
        more = f"-- {left} more lines below, down shows them" if left else "-- the end; up goes back"
        return [*head, *shown, line(Span(more, "dim"))]

    def _foot(self, room: int) -> Line:
        if self.mode == "note":
            assert self.chosen is not None
            ask = f"Note for {cut(alert_title(self.chosen), 24)}: "
            left = max(4, room - columns(ask) - 1)
            return line(Span(ask, "head"), f"{_tail(self.note, left)}_")
        if self.message:
            return line(Span(clean(self.message), "warn"))
        if self.mode == "choose":
            return line(Span("1-9 chooses, Esc goes back", "dim"))
        here = f"{self.page + 1}/{len(PAGES)} {PAGES[self.page]}"
        for keys in (
            "Tab next page   a take on an alert   ? help   q leave",
            "Tab next  a take on  ? help  q leave",
            "? q",
        ):
            if columns(keys) + columns(here) + 2 <= room:
                return line(Span(keys + " " * (room - columns(keys) - columns(here)) + here, "dim"))
        return line(Span("Tab ? q", "dim"))


def _tail(text: str, room: int) -> str:
    """The end of what is being written, as much as there is room for."""
    kept = clean(text) + (" " if text.endswith(" ") else "")
    while columns(kept) > room:
        kept = kept[1:]
    return kept
