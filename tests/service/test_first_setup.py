"""`first_setup`: answers go into the configuration and nothing else moves; drop-ins come and go with them."""

from pathlib import Path

import pytest

from collector.service import first_setup
from collector.service.config import ConfigError, from_file, parse
from collector.service.config.settings import RadioKind
from collector.service.config.template import template
from collector.service.first_setup import Answers, configured, settle_units, unit_files, write

ALL = Answers("Europe/Lisbon", "112", RadioKind.EXCLUSIVE, "station.local")


@pytest.mark.parametrize("text", ["", "\n".join(template()), "[backup]\nkeep = 3\n", '[station]\nname = "hall"\n'])
def test_answers_are_what_the_service_then_reads(text: str) -> None:
    config = parse(configured(text, ALL))
    assert (config.station.zone, config.station.emergency_number) == ("Europe/Lisbon", "112")
    assert config.radio.kind is RadioKind.EXCLUSIVE
    assert (config.page.address, config.page.name) == ("0.0.0.0", "station.local")
    assert (config.backup.keep, config.station.name) == (
        3 if "keep = 3" in text else 14,
        "hall" if "hall" in text else "",
    )


def test_where_root_writes_is_asked_of_the_settings_each_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.geteuid", lambda: 0)
    monkeypatch.setattr(from_file, "SYSTEM_FILE", tmp_path / "ours.toml")
    write(first_setup.usual_target(), configured("", ALL))  # tests/conftest.py looks after /etc/quietcuff.toml itself
    assert (tmp_path / "ours.toml").is_file()


def test_what_was_not_answered_stays_to_the_letter() -> None:
    text = '# ours\n[station]\nzone = "Asia/Tokyo"  # since we moved\n\n[radio]\nadapter = "hci0"\n'
    assert configured(text, Answers()) == text
    again = configured(text, Answers(emergency_number="112"))
    assert [line for line in again.splitlines() if "emergency" not in line] == text.splitlines()


def test_asked_again_it_changes_the_line_and_adds_none() -> None:
    once = configured("", ALL)
    twice = configured(once, Answers(zone="Asia/Tokyo", page_name=""))
    assert len(twice.splitlines()) == len(once.splitlines())
    assert parse(twice).station.zone == "Asia/Tokyo"
    assert (parse(twice).page.address, parse(twice).page.name) == ("127.0.0.1", "")


def test_a_key_of_the_same_name_in_another_section_is_left_alone() -> None:
    text = '[station]\nzone = "Europe/Lisbon"\n[page]\nname = "x.local"\n[mqtt]\nhost = "broker"\n'
    changed = configured(text, Answers(page_name="y.local"))
    assert changed.count("y.local") == 1
    assert parse(changed).station.name == ""


@pytest.mark.parametrize("wrong", [Answers(zone="Lisbon"), Answers(page_name='"')])
def test_an_answer_that_cannot_be_is_refused(wrong: Answers) -> None:
    with pytest.raises(ConfigError):
        configured("", wrong)


def test_written_whole_and_with_the_mode_it_had(tmp_path: Path) -> None:
    file = tmp_path / "etc/quietcuff.toml"
    write(file, "one")
    assert file.stat().st_mode & 0o777 == 0o644
    file.chmod(0o640)
    write(file, "two")
    assert (file.read_text(), file.stat().st_mode & 0o777) == ("two", 0o640)
    assert [one.name for one in file.parent.iterdir()] == ["quietcuff.toml"]


def test_drop_ins_come_and_go_and_systemd_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(first_setup, "UNITS", tmp_path)
    lines: list[str] = []

    def run(line: object) -> int:
        lines.append(" ".join(line))  # type: ignore[call-overload]
        return 0

    assert settle_units(ALL, run)
    placed = {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*.conf")}
    assert placed == {"quietcuff.service.d/exclusive.conf", "quietcuff-page.socket.d/network.conf"}
    assert "0.0.0.0:8140" in (tmp_path / "quietcuff-page.socket.d/network.conf").read_text()
    assert lines[:3] == ["systemctl daemon-reload", "systemctl enable quietcuff", "systemctl restart quietcuff"]
    assert "systemctl restart quietcuff-page.socket" in lines

    assert not settle_units(Answers(radio=RadioKind.BLUEZ, page_name=""), lambda line: 1)
    assert not list(tmp_path.rglob("*.conf"))


def test_the_unit_files_lie_where_it_looks() -> None:
    assert (unit_files() / "exclusive.conf").exists()
    assert (unit_files() / "page-network.conf").exists()
