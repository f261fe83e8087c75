"""`evenwall rig` on the simulated rig, and on a board that it treats as real."""

from __future__ import annotations

from pathlib import Path

import pytest

from evenwall.cli.main import main
from evenwall_bridge.sim_board import PtyBoard

SMALL = Path(__file__).parents[2] / "hardware" / "rigs" / "small.toml"


def rig(data: Path, *words: str) -> int:
    return main(["rig", *words, "--data", str(data)])


def test_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert rig(tmp_path, "check") == 0
    said = capsys.readouterr().out
    assert "ok  link: firmware" in said
    assert "BAD" not in said
    assert "Add --turn" in said


def test_too_fast_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert rig(tmp_path, "turn", "major", "--rate-rpm", "90") == 2
    assert "--rate-rpm is 90.0 rpm: must be up to 3" in capsys.readouterr().err


@pytest.mark.parametrize("words", [("turn", "major"), ("home",), ("park", "up")])
def test_a_real_rig_turns_only_after_a_hand(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    with PtyBoard() as board:
        board.set_guard(True)
        text = SMALL.read_text().replace(
            'backend = "simulated"', f'backend = "serial"\nport = "{board.port}"'
        )
        text = text.replace('kind = "digital_1wire"', 'kind = "infrared"').split("[pins]")[0]
        (tmp_path / "rig.toml").write_text(text)
        assert rig(tmp_path, *words, "--rig", str(tmp_path / "rig.toml")) == 2
        assert "turns only after a confirmation at the rig" in capsys.readouterr().err
        assert board.steps() == (0, 0)
        assert not board.enabled()


def test_a_board_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = SMALL.read_text().replace(
        'backend = "simulated"', 'backend = "serial"\nport = "/dev/nowhere"'
    )
    text = text.replace('kind = "digital_1wire"', 'kind = "infrared"').split("[pins]")[0]
    (tmp_path / "rig.toml").write_text(text)
    assert rig(tmp_path, "check", "--rig", str(tmp_path / "rig.toml")) == 3
    said = capsys.readouterr().out
    assert "BAD link: the board at /dev/nowhere does not answer" in said
    assert "BAD resin probe (infrared)" in said
