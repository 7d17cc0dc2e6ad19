"""The terminal: a steady table and noteworthy lines; plain lines where there is no terminal."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

import config_demo
from alerts.types import AlertKind
from config_demo.show import Show, alert_line, alert_text, event_line, exit_text, news_lines, wrap_line
from config_demo.story import at
from monitor.model.types import EventKind, Side
from monitor.plant.file import load_plant
from monitor.plant.types import Plant
from tests.unit.demo import pictures


@pytest.fixture(scope="module")
def works() -> Plant:
    return load_plant(Path(config_demo.__file__).parent / "works.toml")


def plain(*, terminal: bool = False, height: int = 30) -> Console:
    return Console(file=io.StringIO(), width=110, height=height, force_terminal=terminal, highlight=False)


def text_of(console: Console) -> str:
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_without_a_terminal_only_noteworthy_lines_are_written(works: Plant) -> None:
    console = plain()
    with Show(works, console=console) as show:
        show.picture(pictures.snapshot("gannet"), pictures.NOW_S, 0.5)
        show.tell(at(0, "14:25"), "plover: [noticed] something")
    assert text_of(console) == "Wed 14:25  plover: [noticed] something\n"


def test_on_a_terminal_the_table_splits_the_losses_and_fits(works: Plant) -> None:
    console = plain(terminal=True, height=30)
    show = Show(works, console=console)
    show.picture(pictures.snapshot("gannet", alerts=(pictures.alert("gannet"),)), pictures.NOW_S, 0.5)
    for minute in range(30):
        show.tell(pictures.NOW_S + 60.0 * minute, f"line {minute} " + "x" * 200)
    with console.capture() as captured:
        console.print(show._frame())
    lines = captured.get().splitlines()
    assert len(lines) <= 30
    [row] = [line for line in lines if "gannet" in line]
    for word in ("321", "9.31", "25.2", "6.4", "Thu 04:00 rich", "will leave"):
        assert word in row
    assert any("line 29" in line for line in lines[-4:])


def test_an_exit_in_words() -> None:
    assert exit_text(pictures.forecast("x", 11.0)) == "Thu 04:00 rich"
    assert exit_text(pictures.forecast("x", 0.0, Side.LOW)) == "is low now"
    assert exit_text(pictures.forecast("x", 240.0)) == "not soon"
    assert exit_text(pictures.forecast("x", 100.0, Side.NONE)) == "not soon"


def test_an_event_in_words() -> None:
    said = event_line(pictures.event("plover", at(0, "11:10")))
    assert said == "plover: noticed an unlogged top-up: about 44 L of 12.6 % at Wed 11:10 (97 % sure)"
    silent = pictures.event(
        "curlew", at(0, "13:00"), EventKind.SILENT_SIGNAL, volume_l=None, mix_pct=None, detail="level"
    )
    assert event_line(silent) == "curlew: a signal is silent: level"


def test_an_alert_in_words_carries_its_recipe() -> None:
    line = alert_line(pictures.alert("gannet"))
    assert line.startswith("ALERT gannet will leave its band tonight.")
    assert line.endswith("Recipe, top up: add 70 L of 2.0 % → lands at 8.0 % (7.8–8.2)")
    assert alert_line(pictures.alert("curlew", AlertKind.SIGNAL_SILENT, recipe=None, text="Silent.")) == "ALERT Silent."


def test_an_acknowledged_alert_stands_in_brackets() -> None:
    seen = pictures.alert("gannet", acknowledged_s=pictures.NOW_S)
    assert alert_text([seen, pictures.alert("gannet", AlertKind.OUTSIDE_BAND)]).plain == "(will leave) outside"


def test_news_are_said_once() -> None:
    mute = [
        pictures.alert("curlew", AlertKind.SIGNAL_SILENT, id=f"c-{n}", recipe=None, text=f"curlew {n} is silent")
        for n in range(3)
    ]
    events = [
        pictures.event("curlew", at(0, "13:00"), EventKind.SILENT_SIGNAL),
        pictures.event("osprey", at(0, "13:00"), EventKind.LOSS_JUMP),
    ]
    losing = pictures.alert("osprey", AlertKind.LOSS_JUMP, recipe=None, text="osprey loses.")
    assert news_lines(events, [*mute, losing]) == ["ALERT curlew: 3 signals are silent", "ALERT osprey loses."]
    assert len(news_lines(events, mute[:1])) == 2
    assert news_lines([], mute[:1]) == ["ALERT curlew 0 is silent"]


def test_long_lines_go_on_below_their_own_words() -> None:
    first, second = wrap_line("Wed 14:25  " + "word " * 20, 80)
    assert first.startswith("Wed 14:25  word")
    assert second.startswith(" " * 11 + "word")
