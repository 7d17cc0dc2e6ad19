"""Loading plant files: what comes out, which defaults, what cannot be read at all."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from monitor.plant.calendar import WeeklySpan
from monitor.plant.errors import PlantFileError
from monitor.plant.file import MOST_BYTES, check_text, load_plant
from monitor.plant.names import slug
from monitor.plant.reading import Signal
from monitor.plant.types import CurrentLoop, Plant, StatusSpec

CASES = Path(__file__).parents[2] / "cases" / "plant_files"
SHORTEST = (CASES / "shortest" / "plant.toml").read_text(encoding="utf-8")


def load(story: str) -> Plant:
    return load_plant(CASES / story / "plant.toml")


def checked(text: str) -> Plant:
    plant, faults = check_text(text, Path("/shop/plant.toml"))
    assert faults == []
    assert plant is not None
    return plant


def faults_of(text: str) -> list[str]:
    return [f"{fault.line} {fault.key}" for fault in check_text(text, Path("plant.toml"))[1]]


def test_contract_example() -> None:
    plant = load("contract-example")
    sump = plant.sumps["lathe-04"]
    level = sump.signals[Signal.LEVEL]
    assert (plant.id, plant.name, plant.zone, plant.units) == (
        "ferry-lane",
        "Ferry Lane works",
        "Europe/Lisbon",
        "metric",
    )
    assert plant.database == CASES / "contract-example" / "bandkeeper.db"
    assert plant.attended.spans == (WeeklySpan((0, 1, 2, 3, 4), 360, 1320),)
    assert sump.fluid is plant.fluids["semi-synthetic"]
    assert (sump.fluid.band_pct, sump.fluid.target_pct, sump.fluid.hardness_limit_ppm) == ((6.0, 10.0), 8.0, 400.0)
    assert (sump.fluid.leanest_make_up_pct, sump.fluid.richest_make_up_pct) == (1.0, 15.0)
    assert (sump.full_l, sump.lowest_l, sump.hold_up_l, sump.surface_m2, sump.area) == (400, 200, 16, 1.25, "hall-1")
    assert sump.tank.volume_l(240) == 300.0
    assert sump.duty is plant.duties["two-shift"]
    assert sump.duty is not None
    assert sump.duty.expected == 0.88
    assert sump.make_up_water == plant.waters["deionised"]
    assert (level.source, level.address, level.unit.name, level.period_s) == (
        "hall-mqtt", "hall-1/lathe-04/level", "mm", 300.0,
    )  # fmt: skip
    assert plant.publish_source == "hall-mqtt"
    assert plant.status == StatusSpec("127.0.0.1", 8480)
    assert plant.sources["hall-mqtt"].payload == "json"


def test_defaults_of_the_shortest_file() -> None:
    plant = checked(SHORTEST)
    fluid, sump = plant.fluids["green"], plant.sumps["mill-1"]
    assert (plant.id, plant.units, plant.bucket_l) == ("ropewalk-tool-room", "metric", 20.0)
    assert plant.database == Path("/shop/bandkeeper.db")
    assert plant.attended.spans == (WeeklySpan((0, 1, 2, 3, 4), 360, 1320),)
    assert (fluid.target_pct, fluid.leanest_make_up_pct, fluid.richest_make_up_pct) == (8.0, 1.0, 15.0)
    assert (sump.duty, sump.hold_up_l, sump.surface_m2, sump.make_up_water, sump.area) == (None, None, None, None, "")
    assert plant.publish_source is None
    assert plant.status == StatusSpec("127.0.0.1", 8480)


def test_mqtt_options_are_all_there() -> None:
    assert checked(SHORTEST).sources["gateway"].options == {
        "host": "127.0.0.1",
        "port": 1883,
        "protocol": "5",
        "tls": False,
        "username": None,
        "password_file": None,
        "ca_file": None,
        "client_certificate": None,
        "client_key": None,
        "client_id": "bandkeeper-ropewalk-tool-room-gateway",
        "keep_alive": 60,
        "session_expiry": 604800,
        "allow_plain_password": False,
    }


def test_options_of_every_kind_of_source() -> None:
    plant = load("every-source")
    home = CASES / "every-source"
    broker, line = plant.sources["tls-broker"], plant.sources["hand-held"]
    assert (broker.options["port"], broker.options["tls"], broker.payload) == (8883, True, "number")
    assert broker.options["password_file"] == home / "secrets/broker"
    assert broker.options["ca_file"] == Path("/etc/ssl/plant-ca.pem")
    assert (broker.options["keep_alive"], broker.options["session_expiry"]) == (30, 259200)
    assert line.options == {
        "port": "/dev/serial/by-id/bench",
        "baud": 4800,
        "data_bits": 7,
        "parity": "even",
        "stop_bits": 2,
        "pattern": r"(?P<value>\d+,\d+)",
        "decimal": ",",
        "channel": "bench",
    }
    assert line.payload == "line"
    assert plant.sources["bus"].options["timeout"] == 1.0
    assert plant.sources["gateway"].options == {
        "port": None,
        "host": "127.0.0.1",
        "tcp_port": 502,
        "baud": 19200,
        "parity": "none",
        "stop_bits": 1,
        "registers": "input",
        "data_type": "uint16",
        "word_order": "ABCD",
        "data_bits": 8,
        "timeout": 1.0,
    }
    assert plant.sources["drop"].options == {"path": home / "drop", "settle": 10.0}
    assert plant.sumps["a"].signals[Signal.COOLANT_TEMPERATURE].loop == CurrentLoop(0.0, 60.0, (6400.0, 32000.0))
    assert (plant.sumps["a"].signals[Signal.PH].scale, plant.sumps["a"].signals[Signal.PH].offset) == (0.01, 1.0)
    assert plant.status == StatusSpec("::1", 8480)


def test_us_units_become_canonical_ones() -> None:
    plant = load("us-units")
    sump = plant.sumps["saw-2"]
    assert plant.bucket_l == pytest.approx(18.92705892)
    assert sump.full_l == pytest.approx(105 * 3.785411784)
    assert sump.tank.volume_l(254.0) == pytest.approx(84 * 3.785411784)
    assert sump.hold_up_l == pytest.approx(3.785411784 / 2)
    assert sump.fluid.hardness_limit_ppm == pytest.approx(356.96)
    assert sump.signals[Signal.COOLANT_TEMPERATURE].unit.to_canonical(212.0) == pytest.approx(100.0)


def test_a_bucket_in_us_units_is_five_gallons() -> None:
    plant = checked(SHORTEST.replace("[plant]", '[plant]\nunits = "us"'))
    assert plant.bucket_l == pytest.approx(5 * 3.785411784)


def test_a_sump_may_have_no_signal_at_all() -> None:
    text = "\n".join(row for row in SHORTEST.splitlines() if not row.startswith("signal."))
    assert checked(text).sumps["mill-1"].signals == {}


def test_the_page_can_be_switched_off() -> None:
    assert checked(SHORTEST + '\n[status]\nlisten = "off"\n').status is None


def test_every_shape_loads() -> None:
    plant = load("all-shapes")
    assert all(math.isfinite(sump.tank.level_mm(sump.full_l)) for sump in plant.sumps.values())
    dished, flat = plant.sumps["lying-dished"].tank, plant.sumps["lying"].tank
    assert dished.volume_l(300) > flat.volume_l(300)


def test_credential_folder_is_filled_in(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", "/run/credentials/bandkeeper")
    more = 'username = "us"\npassword_file = "$CREDENTIALS_DIRECTORY/broker"\n'
    options = checked(SHORTEST + more).sources["gateway"].options
    assert options["password_file"] == Path("/run/credentials/bandkeeper/broker")


def test_tls_by_port_or_flag() -> None:
    assert checked(SHORTEST + "port = 8883\n").sources["gateway"].options["tls"] is True
    assert checked(SHORTEST + "tls = true\n").sources["gateway"].options["port"] == 8883
    assert checked(SHORTEST + "port = 8883\ntls = false\n").sources["gateway"].options["tls"] is False


def test_a_password_may_go_unencrypted_to_this_machine() -> None:
    more = 'username = "us"\npassword_file = "secret"\n'
    assert checked(SHORTEST + more).sources["gateway"].options["password_file"] == Path("/shop/secret")
    assert faults_of(SHORTEST.replace("127.0.0.1", "broker.example") + more) == ["21 source.gateway.password_file"]


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(PlantFileError) as caught:
        load_plant(tmp_path / "nowhere.toml")
    assert str(caught.value).startswith(f"{tmp_path / 'nowhere.toml'}:1: file: cannot be read (No such file")


def test_a_folder_is_no_plant_file(tmp_path: Path) -> None:
    with pytest.raises(PlantFileError, match="cannot be read"):
        load_plant(tmp_path)


def test_other_encodings_are_told_with_their_line(tmp_path: Path) -> None:
    file = tmp_path / "plant.toml"
    file.write_bytes('[plant]\nname = "Käfer"\n'.encode("latin-1"))
    with pytest.raises(PlantFileError) as caught:
        load_plant(file)
    assert str(caught.value) == f"{file}:2: file: is not UTF-8 text: save it as UTF-8"


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    file = tmp_path / "plant.toml"
    file.write_text(SHORTEST, encoding="utf-8-sig")
    assert load_plant(file).id == "ropewalk-tool-room"


def test_a_huge_file_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "plant.toml"
    with file.open("wb") as out:
        out.truncate(MOST_BYTES + 1)
    with pytest.raises(PlantFileError, match="this is no plant file"):
        load_plant(file)


def test_faults_keep_the_path_as_it_was_given() -> None:
    _, faults = check_text("", Path("sub/plant.toml"))
    assert {fault.file for fault in faults} == {"sub/plant.toml"}


@pytest.mark.parametrize(
    ("name", "made"),
    [
        ("Ferry Lane works", "ferry-lane-works"),
        ("Größe & Söhne", "grosse-sohne"),
        ("  42nd Street  ", "42nd-street"),
        ("x" * 90, "x" * 63),
        ("工場", ""),
    ],
)
def test_ids_are_made_from_names(name: str, made: str) -> None:
    assert slug(name) == made


@pytest.mark.parametrize(
    "text",
    [
        "x",
        "=\n",
        "[sump",
        "\x00",
        'a = "',
        "a = '''\n\n",
        "[[a]]\n[a]\n",
        "a = " + "[" * 5000,
        "]" * 50,
        "a.b = 1\na = 2",
    ],
)
def test_what_is_no_toml_is_one_clear_fault_at_least(text: str) -> None:
    plant, faults = check_text(text, Path("plant.toml"))
    assert plant is None
    assert faults
    assert all(1 <= fault.line <= text.count("\n") + 1 for fault in faults)


def test_a_key_taken_out_by_a_syntax_fault_is_not_missed_as_well() -> None:
    assert faults_of(SHORTEST.replace('"300 L"', "300 L")) == ["11 sump.mill-1.full"]
    assert faults_of(SHORTEST.replace('"gateway"', "gateway", 1)) == ["14 sump.mill-1.signal.level"]


def test_many_syntax_faults_end_in_bounded_time() -> None:
    text = SHORTEST + "".join(f"key-{n} = {n} L\n" for n in range(500))
    plant, faults = check_text(text, Path("plant.toml"))
    assert plant is None
    assert len(faults) == 50


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        ("refractometer_factor = 1.5", "refractometer_factor = " + "9" * 5000, "thousands of digits"),
        ("refractometer_factor = 1.5", "refractometer_factor = 1e300", "100 or less"),
        ("refractometer_factor = 1.5", "refractometer_factor = 1e-300", "0.01 or more"),
        ('period = "5 min"', 'period = "1e300 d"', "366 d"),
        ('period = "5 min"', 'period = "1e-300 s"', "0.01 s"),
        ('full = "300 L"', 'full = "1e300 L"', "1,000,000 L"),
        ('full = "300 L"', 'full = "1e-300 L"', "less than full"),
    ],
)
def test_numbers_that_no_sump_has_are_refused(right: str, wrong: str, words: str) -> None:
    assert right in SHORTEST
    plant, faults = check_text(SHORTEST.replace(right, wrong, 1), Path("plant.toml"))
    assert plant is None
    assert any(words in fault.text for fault in faults), faults
    assert all(fault.line > 1 for fault in faults)


def test_a_shared_subscription_is_no_topic() -> None:
    faults = faults_of(SHORTEST.replace('address = "', 'address = "$share/watch/', 1))
    assert [fault.partition(" ")[2] for fault in faults] == ["sump.mill-1.signal.level.address"]


def test_everybody_may_need_a_token() -> None:
    assert checked(f"{SHORTEST}[status]\ntokens = true\n").status == StatusSpec("127.0.0.1", 8480, tokens=True)
    assert checked(f"{SHORTEST}[status]\ntokens = false\n").status == StatusSpec("127.0.0.1", 8480)
    rows = len(SHORTEST.splitlines())
    assert faults_of(f'{SHORTEST}[status]\ntokens = "yes"\n') == [f"{rows + 2} status.tokens"]


def test_the_page_may_have_a_certificate() -> None:
    plant = checked(f'{SHORTEST}[status]\ncertificate = "page.pem"\ncertificate_key = "/etc/page.key"\n')
    assert plant.status == StatusSpec("127.0.0.1", 8480, "", Path("/shop/page.pem"), Path("/etc/page.key"))


def test_a_certificate_goes_with_its_key() -> None:
    _, faults = check_text(f'{SHORTEST}[status]\ncertificate = "page.pem"\n', Path("plant.toml"))
    assert [fault.key for fault in faults] == ["status.certificate_key"]
    assert "go together" in str(faults[0])
