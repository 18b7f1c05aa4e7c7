"""What whole-tool tests share: the command run in this process."""

import sys

import pytest

from planner import cli


@pytest.fixture
def call(monkeypatch, capsys):
    """Run a command in this process and return exit code, standard output and standard error."""

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["swathwright", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            cli.main()
        captured = capsys.readouterr()
        return int(left.value.code or 0), captured.out, captured.err.strip()

    return run
