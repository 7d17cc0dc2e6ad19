"""A new migration brings along what upgrades and a damaged record need of it."""

from __future__ import annotations

from contextlib import closing

import pytest
from sqlite_utils import Database

from monitor.record.salvage import KEYS, LEFT
from monitor.record.schema import STEPS, migrations
from tests.unit.house.tree import ROOT

RECORDS = ROOT / "tests" / "cases" / "records"


@pytest.mark.parametrize("step", STEPS)
def test_a_record_of_every_version_is_kept_to_upgrade_from(step: str) -> None:
    assert (RECORDS / f"{step}.sql").is_file(), "call python -m tests.cases.records.make, and give its `fill` rows"


def test_of_every_table_it_is_decided_whether_it_is_carried_over_from_a_damaged_record() -> None:
    with closing(Database(memory=True)) as empty:
        migrations.apply(empty)
        tables = {name for name in empty.table_names() if "sqlite_" not in name}
    assert set(KEYS) | LEFT == tables, "name new tables in monitor/record/salvage.py: how rows lie, or that they stay"
    assert not set(KEYS) & LEFT
