"""Told cases: each folder holds a plant file and the words `bandkeeper check` has for it."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.plant.file import check_text

CASES = Path(__file__).parents[2] / "cases" / "plant_files"
STORIES = sorted(folder.name for folder in CASES.iterdir() if (folder / "plant.toml").is_file())


@pytest.mark.parametrize("story", STORIES)
def test_told_case(story: str) -> None:
    text = (CASES / story / "plant.toml").read_text(encoding="utf-8")
    expected = (CASES / story / "expected.txt").read_text(encoding="utf-8").splitlines()
    plant, faults = check_text(text, Path("plant.toml"))
    assert ([str(fault) for fault in faults] or ["ok"]) == expected
    assert (plant is None) == bool(faults)


def test_there_are_cases() -> None:
    assert {"contract-example", "shortest", "syntax-slips"} <= set(STORIES)


def test_no_fault_repeats_a_secret() -> None:
    words = (CASES / "secrets" / "expected.txt").read_text(encoding="utf-8")
    assert "correct horse" not in words
    assert "staple" not in words


@pytest.mark.parametrize("story", STORIES)
def test_windows_line_ends_change_nothing(story: str) -> None:
    text = (CASES / story / "plant.toml").read_text(encoding="utf-8")
    expected = (CASES / story / "expected.txt").read_text(encoding="utf-8").splitlines()
    _, faults = check_text(text.replace("\n", "\r\n"), Path("plant.toml"))
    assert ([str(fault) for fault in faults] or ["ok"]) == expected
