"""The configuration: defaults, what a file and the environment may say, and how mistakes are told."""

from dataclasses import fields
from pathlib import Path

import pytest

from collector.service.config import Config, ConfigError, load, parse, usual_store
from collector.service.config.settings import PersonSettings, RadioSettings, StationSettings, StoreSettings


def test_nothing_given_is_the_defaults(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr("collector.service.config.from_file.SYSTEM_FILE", tmp_path / "none.toml")
    assert load(environment={}) == Config()


def test_a_file_says_what_it_says_and_the_rest_stays_default() -> None:
    config = parse("""
[station]
zone = "Atlantic/Azores"
[radio]
set_clock = "when wrong"
clock_wrong_after_s = 90
[store]
path = "/srv/cuffs.db"
[people."ada b"]
threshold_systolic = 130
""")
    assert config.station.zone == "Atlantic/Azores"
    assert config.radio.set_clock == "when wrong"
    assert config.radio.clock_wrong_after_s == 90.0
    assert config.radio.kind == "bluez"
    assert config.store.path == Path("/srv/cuffs.db")
    assert config.people["ada b"].threshold_systolic == 130
    assert config.people["ada b"].goal_systolic is None


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[radio]\n\nkindd = 'bluez'", "f.toml, line 3: [radio] has no key 'kindd'; did you mean 'kind'?"),
        (
            "[radio]\nxyz = 1",
            "f.toml, line 2: [radio] has no key 'xyz'; allowed: kind, adapter, accept, set_clock, "
            "clock_wrong_after_s, witness",
        ),
        ("[rodeo]\nkind = 1", "f.toml, line 1: there is no section 'rodeo'; did you mean 'radio'?"),
        ("\nradio = 3", "f.toml, line 2: [radio] is a section of its own, not one value"),
        ("[radio]\nkind = 'fm'", "f.toml, line 2: radio.kind is 'fm'; allowed: bluez, exclusive, virtual"),
        ("radio.accept = 3", "f.toml, line 1: radio.accept is 3; allowed: any, known"),
        ("[radio]\nset_clock = true", "f.toml, line 2: radio.set_clock is true; allowed: never, when wrong, always"),
        ("[radio]\nclock_wrong_after_s = 0", "f.toml, line 2: radio.clock_wrong_after_s is 0; the least is 1"),
        (
            "[radio]\nadapter = 'tuner'",
            "f.toml, line 2: radio.adapter is 'tuner': an adapter is named like 'hci0', or for the exclusive radio 'usb:0'",
        ),
        (
            "[station]\n# here\nzone = 'Mars/Olympus'",
            "f.toml, line 3: station.zone is 'Mars/Olympus': not a time zone of the IANA database, "
            "such as 'Europe/Lisbon'",
        ),
        ("[people.eve]\ngoal_systolic = 13", "f.toml, line 2: people.eve.goal_systolic is 13; the least is 60"),
        (
            "[people.eve]\ngoal_sistolic = 130",
            "f.toml, line 2: [people] has no key 'goal_sistolic'; did you mean 'goal_systolic'?",
        ),
        (
            "[cuffs.kitchen]\nuser = 1",
            "f.toml, line 1: 'kitchen' is no cuff's address, such as \"C0:FF:EE:00:00:01\" in quotes and capitals; "
            "`quietcuff cuff list` shows them",
        ),
        ("[cuffs.'C0:FF:EE:00:00:01']\nuser = 1", "f.toml, line 1: consent takes both, user and consent_code"),
        (
            "[cuffs.'C0:FF:EE:00:00:01']\nuser = 1\nconsent_code = 12345",
            "f.toml, line 3: cuffs.C0:FF:EE:00:00:01.consent_code is 12345; the most is 9999",
        ),
        (
            "[people.eve]\nrecord = '4711'",
            "f.toml, line 2: people.eve.record is '4711': a record is written as who numbers it, a URI, and the number: "
            "'https://clinic.example/records|4711'",
        ),
        (
            "[people.eve]\nrecord = 'urn:x|4711'\n[people.ada]\nrecord = 'urn:x|4711'",
            "f.toml, line 4: people.ada.record is [people.eve]'s too",
        ),
        ("[people]\neve = 3", "f.toml, line 2: [people.eve] is a section of its own, not one value"),
        ("[radio\n", "f.toml: not TOML: Expected ']' at the end of a table declaration (at line 1, column 7)"),
    ],
)
def test_a_mistake_is_told_with_its_line_and_what_is_allowed(text: str, line: str) -> None:
    with pytest.raises(ConfigError) as told:
        parse(text, Path("f.toml"))
    assert str(told.value) == line


def test_the_environment_goes_before_the_file() -> None:
    environment = {
        "QUIETCUFF_RADIO_KIND": "virtual",
        "QUIETCUFF_RADIO_CLOCK_WRONG_AFTER_S": "5",
        "QUIETCUFF_STORE": "x.db",
        "QUIETCUFF_DEBUG": "1",
    }
    config = parse("[radio]\nkind = 'exclusive'\nadapter = 'hci1'", None, environment)
    assert (config.radio.kind, config.radio.adapter) == ("virtual", "hci1")
    assert config.radio.clock_wrong_after_s == 5.0
    with pytest.raises(ConfigError, match=r"^environment variable QUIETCUFF_RADIO_KIND: radio\.kind is"):
        parse("", None, {"QUIETCUFF_RADIO_KIND": "fm"})
    with pytest.raises(ConfigError, match=r"^environment variable QUIETCUFF_RADIO_KINDD: \[radio\] has"):
        parse("", None, {"QUIETCUFF_RADIO_KINDD": "bluez"})


@pytest.mark.parametrize(
    ("variable", "text", "complaint"),
    [
        ("QUIETCUFF_NOTICES_COMMAND", "tell 'me", 'is "tell \'me"; expected is a list of texts'),
        ("QUIETCUFF_BACKUP_KEEP", "many", "is 'many'; expected is a whole number"),
        ("QUIETCUFF_BACKUP_DAILY", "perhaps", "is 'perhaps'; expected is true or false"),
        ("QUIETCUFF_RADIO_CLOCK_WRONG_AFTER_S", "nan", "is 'nan'; expected is a number"),
        ("QUIETCUFF_MQTT_PORT", "99999", "is '99999'; the most is 65535"),
    ],
)
def test_a_mistake_in_the_environment_is_one_line(variable: str, text: str, complaint: str) -> None:
    with pytest.raises(ConfigError) as told:
        parse("", None, {variable: text})
    assert str(told.value).startswith(f"environment variable {variable}: ")
    assert complaint in str(told.value)


def test_the_environment_has_every_kind_of_value() -> None:
    config = parse(
        "",
        None,
        {
            "QUIETCUFF_NOTICES_COMMAND": "tell 'the whole house' --now",
            "QUIETCUFF_BACKUP_DAILY": "False",
            "QUIETCUFF_BACKUP_FOLDER": "/media/stick",
            "QUIETCUFF_BACKUP_KEEP": "3",
            "QUIETCUFF_NOTICES_COMMAND_TIMEOUT_S": "2.5",
            "QUIETCUFF_STATION_NAME": "north",
        },
    )
    assert config.notices.command == ("tell", "the whole house", "--now")
    assert (config.backup.daily, config.backup.folder, config.backup.keep) == (False, Path("/media/stick"), 3)
    assert (config.notices.command_timeout_s, config.station.name) == (2.5, "north")


@pytest.mark.parametrize("number", ["nan", "inf", "-inf"])
def test_a_number_that_is_none_is_refused(number: str) -> None:
    """TOML 1.0.0, Float: nan and inf are floats there; here they would never be reached, or always."""
    with pytest.raises(ConfigError, match="expected is a number"):
        parse(f"[radio]\nclock_wrong_after_s = {number}")


def test_a_file_that_is_named_must_be_there_and_be_text(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none\.toml: cannot read the configuration: no such file"):
        load(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"[station]\nname = '\xe9'\n")
    with pytest.raises(ConfigError, match="not utf-8 text"):
        load(tmp_path / "latin.toml")


def test_the_users_own_file_goes_before_the_systems(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr("collector.service.config.from_file.SYSTEM_FILE", tmp_path / "etc.toml")
    (tmp_path / "etc.toml").write_text("[station]\nname = 'system'\n")
    assert load(environment={}).station.name == "system"
    (tmp_path / "quietcuff.toml").write_text("[station]\nname = 'own'\n")
    assert load(environment={}).station.name == "own"


def test_the_usual_store_is_the_services_where_it_is_installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setattr("collector.service.config.from_file.SYSTEM_STORE", tmp_path / "var" / "q.db")
    assert usual_store() == tmp_path / "quietcuff" / "quietcuff.db"
    (tmp_path / "var").mkdir()
    assert usual_store() == tmp_path / "var" / "q.db"


def test_every_key_has_words_and_a_default_its_own_rules_allow() -> None:
    keys = [
        item for section in (StationSettings, RadioSettings, StoreSettings, PersonSettings) for item in fields(section)
    ]
    assert len(keys) > 12
    for item in keys:
        assert item.metadata["help"].endswith("."), item.name


def test_all_mistakes_are_told_at_once_each_with_its_line() -> None:
    text = "[radio]\nkind = 'fm'\nacept = 'any'\n[backup]\nkeep = 0\nat = '25:00'\n[rodeo]\nx = 1\n[people.eve]\nmorning = 3\n"
    with pytest.raises(ConfigError) as told:
        parse(text, Path("f.toml"), {"QUIETCUFF_MQTT_PORT": "0"})
    assert [problem.split(": ")[0] for problem in told.value.problems] == [
        "f.toml, line 7",
        "f.toml, line 3",
        "f.toml, line 2",
        "f.toml, line 5",
        "f.toml, line 6",
        "environment variable QUIETCUFF_MQTT_PORT",
        "f.toml, line 10",
    ]
    assert str(told.value) == "\n".join(told.value.problems)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("[retention]\npayloads_days = 99999999999", "the most is"),
        ("[radio]\nclock_wrong_after_s = 1e400", "expected is a number"),
        ("[radio]\nclock_wrong_after_s = 1e300", "the most is"),
        ("[notices]\ndisk_free_mb = 18446744073709551616", "the most is"),
        ("[notices]\ncuff_silent_days = 2000000000", "the most is"),
        ("[notices]\nclock_off_min = 9999999999", "the most is"),
        (f"[backup]\nkeep = {'9' * 5000}", "a number of more than"),
        (f"[people]\nx = {'[' * 2000}{']' * 2000}", "nested too deep"),
        ("[store]\npath = 'a\\u0000b'".replace("'", '"'), "a character that no text has"),
        ("[people.eve]\nprotocol = 'esh-2032'", "no protocol 'esh-2032'; did you mean 'esh-2023'?"),
        ("[people.eve]\nseries_from = '2031-02-30'", "a day is written like"),
        ("[people.eve]\nseries_from = 0001-01-01", "from 1900-01-01 to 2199-12-31"),
        ("[backup]\nat = 2031-03-04", "a time of day is written like"),
        ("[people.eve]\nmorning = [05:00:00]", "hours are two times of day"),
        ("[people.eve]\n[people.Eve]\n", "is [people.eve] again"),
    ],
)
def test_what_nobody_can_mean_is_refused_with_its_line(text: str, complaint: str) -> None:
    with pytest.raises(ConfigError) as told:
        parse(text, Path("f.toml"))
    assert complaint in str(told.value)
    assert "f.toml" in str(told.value)
    assert len(str(told.value)) < 500


def test_tomls_own_dates_and_times_are_taken() -> None:
    config = parse("[backup]\nat = 03:45:00\n[people.eve]\nseries_from = 2031-03-04\nmorning = [05:00:00, 11:30:00]\n")
    assert config.backup.at == "03:45"
    assert config.people["eve"].series_from == "2031-03-04"
    assert config.people["eve"].morning == ("05:00", "11:30")


def test_a_protocol_of_ones_own_may_be_a_persons() -> None:
    text = "[people.eve]\nprotocol = 'ours'\n[protocols.ours]\nbased_on = 'esh-2023'\n"
    assert parse(text).people["eve"].protocol == "ours"


def test_a_file_as_an_editor_of_windows_saves_it_is_read(tmp_path: Path) -> None:
    file = tmp_path / "c.toml"
    file.write_bytes(b"\xef\xbb\xbf[backup]\r\nkeep = 3\r\n")
    assert load(file, environment={}).backup.keep == 3
