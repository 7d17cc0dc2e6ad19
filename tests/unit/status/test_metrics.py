"""The numbers in OpenMetrics text, read back by an independent parser."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from tests.fixtures.board import FakeBoard


def _samples(client: TestClient) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    answer = client.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    assert answer.text.endswith("# EOF\n")
    families: Iterable[Any] = text_string_to_metric_families(answer.text)  # type: ignore[no-untyped-call]
    return {(s.name, tuple(sorted(s.labels.items()))): s.value for family in families for s in family.samples}


def test_sumps_and_sources_are_told(client: TestClient, board: FakeBoard) -> None:
    samples = _samples(client)
    assert samples["bandkeeper_ready", ()] == 1
    assert samples["bandkeeper_readings_accepted_total", ()] == 5120
    assert samples["bandkeeper_source_rejected_total", (("source", "hall-mqtt"),)] == 3
    assert samples["bandkeeper_rejected_inputs_total", ()] == 3
    assert samples["bandkeeper_sump_volume_litres", (("sump", "lathe-04"),)] == 262
    assert samples["bandkeeper_sump_exit_hours", (("quantile", "0.5"), ("sump", "lathe-04"))] == pytest.approx(20)
    key = (("kind", "leaves_band_unattended"), ("state", "unacknowledged"))
    assert samples["bandkeeper_alerts", key] == 1
    board.fail("x", "y")
    assert _samples(client)["bandkeeper_ready", ()] == 0


def test_a_sump_never_heard_has_no_numbers(client: TestClient) -> None:
    assert not any(("sump", "mill-12") in labels for _, labels in _samples(client))
