"""What all tests share: the same examples every run, no silent skips in CI, the command line in process."""

from __future__ import annotations

import os
from dataclasses import dataclass

import pytest
from hypothesis import settings

from linkbudget.cli.main import run

settings.register_profile("same-every-run", derandomize=True, deadline=None, database=None)
settings.load_profile("same-every-run")

# Set where every tool is promised (CI): a skipped test then fails the run.
TOOLS_PROMISED = os.environ.get("LINKBUDGET_REQUIRE_TOOLS") == "1"


def skips_of(config: pytest.Config) -> list[str]:
    reporter = config.pluginmanager.getplugin("terminalreporter")
    # A worker of a run in several processes has no reporter; the process that leads them has.
    return [report.nodeid for report in reporter.stats.get("skipped", [])] if reporter else []


def pytest_sessionfinish(session):
    if TOOLS_PROMISED and skips_of(session.config):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter, config):
    skipped = skips_of(config)
    if TOOLS_PROMISED and skipped:
        terminalreporter.section("skipped although every tool is promised (LINKBUDGET_REQUIRE_TOOLS=1)")
        for name in skipped:
            terminalreporter.write_line(name)


@dataclass(frozen=True)
class Ran:
    """A finished command: its exit code and what it wrote."""

    code: int
    out: str
    err: str


@pytest.fixture
def linkbudget(capsys):
    """Run a command line in this process."""

    def call(*arguments: object) -> Ran:
        code = run([str(argument) for argument in arguments])
        written = capsys.readouterr()
        return Ran(code, written.out, written.err)

    return call
