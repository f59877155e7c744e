"""Only what changed is sent, and the terminal shows the same as if all had been."""

from hypothesis import given
from hypothesis import strategies as st

from daemon.screens.redraw import Redraw
from daemon.screens.spans import Line, Span, text_of
from daemon.screens.taken_terminal import ENTER
from servers.terminal_copy import TerminalCopy

COLUMNS, ROWS = 30, 6
signs = st.text(st.sampled_from("abc 12█▒━é漢\x1b\n\x07\u202e"), max_size=40)
rows = st.lists(st.tuples(signs, st.sampled_from(["", "good", "bad", "dim"])).map(lambda p: (Span(*p),)), max_size=9)


def shown_after(frames: list[list[Line]], *, colour: bool = True) -> TerminalCopy:
    terminal, redraw = TerminalCopy(COLUMNS, ROWS), Redraw(colour=colour)
    terminal.feed(ENTER)
    for lines in frames:
        terminal.feed(redraw.frame(lines, COLUMNS, ROWS))
    return terminal


@given(st.lists(rows, min_size=1, max_size=4))
def test_changes_alone_lead_to_the_same_screen_as_the_last_frame_alone(frames: list[list[Line]]) -> None:
    stepwise, at_once = shown_after(frames), shown_after(frames[-1:])
    assert stepwise.lines == at_once.lines
    assert not stepwise.scrolled
    assert not stepwise.past_edge


def test_nothing_is_sent_when_nothing_changed() -> None:
    redraw = Redraw(colour=True)
    page: list[Line] = [(Span("bank 12.84 V", "good"),)]
    assert redraw.frame(page, COLUMNS, ROWS)
    assert redraw.frame(page, COLUMNS, ROWS) == b""


def test_one_figure_costs_a_few_bytes() -> None:
    redraw = Redraw(colour=True)
    redraw.frame([(Span("bank 12.84 V -0.42 A"),)], COLUMNS, ROWS)
    assert redraw.frame([(Span("bank 12.85 V -0.42 A"),)], COLUMNS, ROWS) == b"\x1b[1;10H5"


def test_control_bytes_become_question_marks() -> None:
    terminal = shown_after([[(Span("a\x1b]0;x\x07b\r\n\x9bc\u202ed"),)]])  # strange bytes would fail in the terminal
    assert terminal.lines[0] == "a?]0;x?b???c?d"


def test_without_colour_there_is_none() -> None:
    terminal = shown_after([[(Span("bad", "bad"), Span("good", "good"))]], colour=False)
    assert terminal.tones <= {""}
    assert text_of((Span("bad"), Span("good"))) == terminal.lines[0]


def test_after_forgetting_all_is_drawn_anew() -> None:
    redraw = Redraw(colour=True)
    page: list[Line] = [(Span("bank"),)]
    first = redraw.frame(page, COLUMNS, ROWS)
    redraw.forget()
    assert redraw.frame(page, COLUMNS, ROWS) == first
