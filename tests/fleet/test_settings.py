"""Settings: environment over file over default, and what stops a start."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleet.settings import NAMES, TABLE, Settings, SettingsFault, load


def test_defaults_without_anything() -> None:
    settings = load(None, {})
    assert settings == Settings(data=Path("hourhand-data"))
    assert settings.registry_file == Path("hourhand-data/registry.db")
    assert settings.topics == ("hourhand/+/+/+",)


def test_every_field_is_a_row_and_its_default_would_be_taken() -> None:
    assert Settings.__struct_fields__ == NAMES
    made = load(None, {})
    for setting in TABLE[1:]:
        assert setting.help, setting.name
        assert getattr(made, setting.name) == setting.default, setting.name
        if setting.kind == "number":
            assert isinstance(setting.default, int)
            assert setting.least <= setting.default <= setting.most, setting.name
        if setting.kind == "choice":
            assert setting.default in setting.choices, setting.name


@pytest.mark.parametrize(
    ("ending", "unit"), [("_s", "s"), ("_days", "days"), ("_mb", "MB"), ("_port", "")]
)
def test_a_number_has_the_unit_its_name_says(ending: str, unit: str) -> None:
    numbers = [s for s in TABLE if s.kind == "number" and s.name.endswith(ending)]
    assert numbers
    assert {s.unit for s in numbers} == {unit}


def test_what_may_be_given_is_said_in_words() -> None:
    said = {setting.name: setting.may_be for setting in TABLE}
    assert said["mqtt_keepalive_s"] == "5 to 65535 s"
    assert said["store"] == "`embedded`, `influx`"
    assert said["mqtt_tls"] == "`true`, `false`"


def test_environment_goes_over_file_over_default(tmp_path: Path) -> None:
    (tmp_path / "hourhand.toml").write_text('firm = "Voss"\nmqtt_port = 8883\nmqtt_tls = true\n')
    settings = load(tmp_path, {"HOURHAND_MQTT_PORT": "1884"})
    assert (settings.firm, settings.mqtt_port, settings.mqtt_tls) == ("Voss", 1884, True)


def test_argument_goes_over_the_environment(tmp_path: Path) -> None:
    assert load(tmp_path, {"HOURHAND_DATA": "/elsewhere"}).data == tmp_path
    assert load(None, {"HOURHAND_DATA": str(tmp_path)}).data == tmp_path


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ('mqtt_hots = "x"', "mqtt_hots, which is no setting. Did you mean mqtt_host?"),
        ("mqtt_port = 70000", "must be from 1 to 65535"),
        ("mqtt_port = true", "must be a whole number"),
        ("http_port = 80.5", "must be a whole number"),
        ('mqtt_port = "many"', "must be a whole number"),
        ('demo = "perhaps"', "must be true or false"),
        ("firm = 7", "must be text in quotes"),
        ('mqtt_host = ""', "is empty: leave it out for '127.0.0.1'"),
        ('mqtt_protocol = "4"', "must be one of auto, 5, 3.1.1"),
        ('store = "cloud"', "must be one of embedded"),
        ('registry_url = "mysql://h/d"', "must begin with postgresql://"),
        ('registry_url = "postgresql://u:changeme@h/d"', "the password in registry_url"),
        ('data = "/x"', "it lies in that folder"),
        ('mqtt_user = "u"\nmqtt_password = "CHANGE_ME"', "still a placeholder"),
        ('mqtt_user = "u"\nmqtt_password = "<changeme>"', "still a placeholder"),
        ('mqtt_user = "u"\nmqtt_password = ""', "is empty or still a placeholder"),
        ('mqtt_password = "right"', "mqtt_user is not: give both or neither"),
        ('mqtt_topics = " , "', "names no topic"),
        ("mqtt_port 1", "is not valid TOML"),
    ],
)
def test_a_bad_file_stops_the_start_with_a_sentence(
    tmp_path: Path, written: str, says: str
) -> None:
    (tmp_path / "hourhand.toml").write_text(written)
    with pytest.raises(SettingsFault) as fault:
        load(tmp_path, {})
    assert says in str(fault.value)


def test_unknown_variable_stops_but_those_of_tests_do_not() -> None:
    with pytest.raises(SettingsFault, match="Did you mean HOURHAND_HTTP_PORT"):
        load(None, {"HOURHAND_HTTPPORT": "1"})
    load(None, {"HOURHAND_TEST_FAULT": "1", "PATH": "/bin"})


def test_secrets_are_not_shown() -> None:
    settings = load(
        None,
        {
            "HOURHAND_MQTT_USER": "u",
            "HOURHAND_MQTT_PASSWORD": "s3cr3t",
            "HOURHAND_REGISTRY_URL": "postgresql://u:hidden1@h/d",
        },
    )
    assert settings.mqtt_password == "s3cr3t"
    assert "s3cr3t" not in repr(settings) + str(settings)
    assert "hidden1" not in repr(settings)


def test_broken_file_names_itself(tmp_path: Path) -> None:
    (tmp_path / "hourhand.toml").write_bytes(b"firm = '\xff'")
    with pytest.raises(SettingsFault, match="cannot be read"):
        load(tmp_path, {})
