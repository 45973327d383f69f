"""The drawn read-out: what a terminal shows after the bytes, and how often it is drawn.

The terminal is pyte, a terminal emulator, so what is checked is what the builder would see.
"""

import io
from collections.abc import Callable

import pyte
import pytest
from rich.console import Console
from rich.style import Style

from assistant.adapters.terminal.screen import STYLES, LiveScreen, Row, can_draw
from assistant.bench.ports import Mode
from assistant.bench.wording import Wording
from assistant.build.screens import PanelScreen, PlainScreen, open_screen
from tests.fakes import Bench

Styles = dict[tuple[int, int], str]


class Drawn:
    """A terminal of a size, drawn on by a console: ``lines()`` is what it shows."""

    def __init__(self, width: int = 80, height: int = 24, *, colour: bool = True) -> None:
        self.bytes = io.StringIO()
        self.width, self.height = width, height
        self.console = Console(
            file=self.bytes, force_terminal=True, width=width, height=height, legacy_windows=False,
            color_system="standard" if colour else None, no_color=not colour, _environ={},
        )  # fmt: skip

    def terminal(self) -> pyte.Screen:
        screen = pyte.Screen(self.width, self.height)
        screen.set_mode(pyte.modes.LNM)  # a real terminal turns \n into \r\n (stty onlcr)
        pyte.Stream(screen).feed(self.bytes.getvalue())
        return screen

    def lines(self) -> list[str]:
        return [line.rstrip() for line in self.terminal().display]


class Clock:
    def __init__(self) -> None:
        self.s = 0.0

    def __call__(self) -> float:
        return self.s


def screen_of(
    rows: Callable[[], list[Row]], drawn: Drawn, clock: Clock, *, most_per_s: float = 8.0
) -> LiveScreen:
    return LiveScreen(lambda *_: rows(), console=drawn.console, most_per_s=most_per_s, now=clock)


def test_rows_are_drawn_from_the_top_and_the_terminal_is_given_back() -> None:
    drawn = Drawn(20, 4)
    with screen_of(lambda: [[("one ", "big"), ("[two]", "alert inverse")], []], drawn, Clock()):
        assert drawn.lines() == ["one [two]", "", "", ""]
        assert "\x1b[?1049h" in drawn.bytes.getvalue()  # xterm: alternate screen on
        assert "\x1b[?25l" in drawn.bytes.getvalue()  # cursor hidden
    left = drawn.bytes.getvalue()
    assert left.rindex("\x1b[?1049l") > left.rindex("\x1b[?1049h")
    assert left.rindex("\x1b[?25h") > left.rindex("\x1b[?25l")


def test_the_terminal_is_given_back_after_an_error() -> None:
    drawn = Drawn(20, 4)
    with pytest.raises(ZeroDivisionError), screen_of(lambda: [], drawn, Clock()):
        _ = 1 / 0
    assert "\x1b[?1049l" in drawn.bytes.getvalue()


def test_it_is_drawn_no_oftener_than_allowed_and_only_when_it_changed() -> None:
    clock, value = Clock(), [0]
    screen = screen_of(lambda: [[(str(value[0]), "plain")]], Drawn(10, 2), clock)
    with screen:
        times = 0
        for frame in range(200):  # two seconds of frames, each with something new
            clock.s = frame / 100
            value[0] = frame
            times += screen.refresh()
        assert 12 <= times <= 16  # 8 a second
        clock.s += 1
        screen.refresh()
        clock.s += 1
        assert not screen.refresh()  # nothing new
        clock.s += 3
        assert screen.refresh()  # drawn whole now and then: something else may have written
        value[0] += 1
        assert screen.refresh(at_once=True)
    assert not screen.refresh(at_once=True)


def test_a_terminal_that_was_made_smaller_is_drawn_for_its_new_size() -> None:
    sizes: list[tuple[int, int]] = []

    def draw(width: int, height: int, _plain: bool) -> list[Row]:
        sizes.append((width, height))
        return [[("x" * width, "plain")]] * height

    drawn = Drawn(40, 10)
    clock = Clock()
    with LiveScreen(draw, console=drawn.console, now=clock) as screen:
        drawn.console.size = (20, 5)  # type: ignore[assignment]
        clock.s = 1
        assert screen.refresh()
    assert sizes[0] == (40, 10)
    assert sizes[-1] == (20, 5)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (60, 20), (20, 6)])
def test_the_read_out_in_a_terminal_is_what_was_laid_out(
    bench: Bench, wording: Wording, width: int, height: int
) -> None:
    drawn = Drawn(width, height)
    panel = PanelScreen()
    panel._screen = LiveScreen(panel.rows, console=drawn.console)
    bench.through("fifteen goes sixteen snug", "accept it", "ten goes eleven snug")
    with panel:
        panel.show(bench.last, wording)
        laid_out = ["".join(t for t, _ in row).rstrip() for row in panel.rows(width, height, False)]
        assert drawn.lines() == laid_out
    assert any("11" in line for line in laid_out)


def test_no_colour_leaves_every_word_and_no_colour_code(bench: Bench, wording: Wording) -> None:
    shown = []
    for colour in (True, False):
        drawn = Drawn(colour=colour)
        panel = PanelScreen()
        panel._screen = LiveScreen(panel.rows, console=drawn.console)
        bench.say("where am i")
        with panel:
            panel.show(bench.last, wording)
            shown.append(drawn.lines())
            colours = {c.fg for row in drawn.terminal().buffer.values() for c in row.values()}
        assert (colours == {"default"}) is not colour
    assert shown[0] == shown[1]


# --- what the screen makes of what it is told ---------------------------------------------------


class Watched(PanelScreen):
    """A panel on a fake terminal; ``text`` is what it shows."""

    def __init__(self) -> None:
        super().__init__()
        self.drawn = Drawn()
        self._screen = LiveScreen(self.rows, console=self.drawn.console)

    @property
    def text(self) -> str:
        return "\n".join("".join(t for t, _ in row) for row in self.rows(80, 24, False))


def test_level_and_mode_are_seen(bench: Bench, wording: Wording) -> None:
    bench.say("where am i")
    with Watched() as screen:
        screen.show(bench.last, wording)
        screen.level(-30.0, None, Mode.HEARING)
        assert "HEARING YOU" in screen.text
        assert "-30 dB, noise -30" in screen.text  # the floor of the levels told so far
        screen.level(-50.0, None, Mode.SPEAKING)
        assert "SPEAKING" in screen.text
        assert "noise -50" in screen.text
        screen.level(-50.0, -61.0, Mode.SPEAKING)
        assert "noise -61" in screen.text


def test_every_mode_of_the_live_loop_can_be_shown() -> None:
    with Watched() as screen:
        for mode in Mode:
            screen.level(-50.0, -60.0, mode)
            assert mode.upper() in screen.text


def test_stand_by_and_note_are_seen_though_the_ear_listens_on(
    bench: Bench, wording: Wording
) -> None:
    with Watched() as screen:
        for call, shown in (("stand by", "STANDING BY"), ("listen up", "LISTENING"),
                            ("note", "NOTE: SPEAK")):  # fmt: skip
            bench.say(call)
            screen.show(bench.last, wording)
            screen.level(-50.0, -60.0, Mode.LISTENING)
            assert shown in screen.text


def test_a_trouble_stays_until_it_is_over_or_a_call_is_taken(
    bench: Bench, wording: Wording
) -> None:
    with Watched() as screen:
        bench.dialogue.tell("microphone lost")
        screen.show(bench.last, wording)
        assert "TROUBLE" in screen.text
        bench.dialogue.tell("microphone back")
        screen.show(bench.last, wording)
        assert "TROUBLE" not in screen.text
        screen.warn("The disk is slow.")
        assert "TROUBLE The disk is slow." in screen.text
        bench.say("where am i")
        screen.show(bench.last, wording)
        assert "TROUBLE" not in screen.text


def test_cautions_are_seen_until_the_first_call_is_taken(bench: Bench, wording: Wording) -> None:
    screen = PanelScreen(cautions=wording.cautions)
    screen._screen = LiveScreen(screen.rows, console=Drawn().console)

    def shown() -> str:
        text = " ".join("".join(t for t, _ in row) for row in screen.rows(80, 24, False))
        return " ".join(text.split())

    with screen:
        for caution in wording.cautions:
            assert caution in shown()
        bench.say("fifteen fifteen")
        screen.show(bench.last, wording)
        assert "CARE" in shown()
        bench.say("where am i")
        screen.show(bench.last, wording)
        assert "CARE" not in shown()


def test_plain_lines_begin_with_the_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    with open_screen(plain=True, cautions=("Mind the wheel.",)):
        assert capsys.readouterr().out == "Mind the wheel.\n"


def test_the_last_turn_stays_on_the_terminal(
    bench: Bench, wording: Wording, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.say("fifteen goes sixteen snug")
    with Watched() as screen:
        screen.show(bench.last, wording)
        assert capsys.readouterr().out == ""
    assert "  heard  fifteen goes sixteen snug" in capsys.readouterr().out


def test_warnings_are_told_again_when_the_read_out_has_gone(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with Watched() as screen:
        screen.warn("The disk is slow.")
        assert capsys.readouterr().err == ""
    assert capsys.readouterr().err == "The disk is slow.\n"


def test_a_pipe_gets_plain_lines(
    bench: Bench, wording: Wording, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.say("fifteen goes sixteen snug")
    with open_screen() as screen:
        assert isinstance(screen, PlainScreen)
        screen.show(bench.last, wording)
        screen.level(-30.0, -60.0, Mode.LISTENING)
        screen.warn("careful")
    caught = capsys.readouterr()
    assert "  heard  fifteen goes sixteen snug" in caught.out
    assert caught.err == "careful\n"


def test_plain_lines_can_be_asked_for_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("assistant.build.screens.can_draw", lambda: True)
    assert isinstance(open_screen(plain=True), PlainScreen)
    assert isinstance(open_screen(), PanelScreen)


@pytest.mark.parametrize(
    ("environment", "drawable"),
    [({"TERM": "xterm"}, True), ({"TERM": "dumb"}, False), ({"TERM": "unknown"}, False)],
)
def test_a_dumb_terminal_is_not_drawn_on(environment: dict[str, str], drawable: bool) -> None:
    console = Console(file=io.StringIO(), force_terminal=True, _environ=environment)
    assert can_draw(console) is drawable
    assert not can_draw(Console(file=io.StringIO()))


def _contrast(one: tuple[int, int, int], other: tuple[int, int, int]) -> float:
    """Contrast ratio of two colours of sRGB, as WCAG 2.2 defines it."""

    def luminance(colour: tuple[int, int, int]) -> float:
        parts = [c / 255 for c in colour]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("name", STYLES)
@pytest.mark.parametrize("paper", [(0, 0, 0), (255, 255, 255)])
def test_every_style_can_be_read_on_light_and_dark(name: str, paper: tuple[int, int, int]) -> None:
    # WCAG 2.2, 1.4.3: 4.5 for text, 3 for large and bold text. The terminal's own ink is its own
    # affair.
    colour = Style.parse(STYLES[name]).color
    large = name in ("step", "alert")
    if colour is not None:
        assert _contrast(tuple(colour.get_truecolor()), paper) >= (3.0 if large else 4.4)
