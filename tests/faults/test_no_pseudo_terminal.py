"""A computer without pseudo-terminals, such as a bare container: the virtual board answers in memory."""

from __future__ import annotations

import errno
import json
import os

import pytest
from click.testing import CliRunner

from leanmix.board import VirtualBoard, open_board
from leanmix.cli import leanmix
from leanmix.errors import PortError


@pytest.fixture(autouse=True)
def _none(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused() -> tuple[int, int]:
        raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))

    monkeypatch.setattr(os, "openpty", refused)


def test_the_tour_goes_to_its_end_in_memory() -> None:
    done = CliRunner().invoke(leanmix, ["tour", "--json"], catch_exceptions=False)
    assert done.exit_code == 0
    assert json.loads(done.stdout)["read_back_equal"] is True


def test_the_virtual_board_of_one_command_answers_in_memory() -> None:
    with open_board("virtual") as board:
        assert board.identity.kind_name == "virtual board"


def test_a_board_for_other_programs_says_what_is_missing() -> None:
    with pytest.raises(PortError, match=r"gives no pseudo-terminal .*Mount /dev/pts"):
        VirtualBoard().start()
