"""What the exclusive radio needs, told with its remedy."""

from pathlib import Path

import pytest

from collector.radio.exclusive import rights


@pytest.mark.parametrize(("effective", "lacks"), [("0000000000001000", False), ("0000000000000000", True)])
def test_the_right_to_take_an_adapter(tmp_path: Path, effective: str, lacks: bool) -> None:
    """CAP_NET_ADMIN is bit 12 of the capability sets (capabilities(7))."""
    status = tmp_path / "status"
    status.write_text(f"Name:\tx\nCapEff:\t{effective}\n")
    assert any("CAP_NET_ADMIN" in what for what, _ in rights.missing(status)) is lacks


def test_a_missing_host_stack_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rights, "find_spec", lambda name: None)
    assert ("the host stack Bumble is not installed", "pip install 'quietcuff[virtual]'") in rights.missing()
