"""What did a process ask the kernel for, and in which order? System calls on files and sockets, by strace."""

import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.running import ROOT

_TRACED = "fsync,fdatasync,sendto,write,pwrite64,rename,renameat,renameat2,link,linkat"
_CALL = re.compile(r"^(?P<pid>\d+)\s+(?P<name>\w+)\((?P<given>.*)$")
_RESUMED = re.compile(r"^(?P<pid>\d+)\s+<\.\.\. (?P<name>\w+) resumed>")
_PATH = re.compile(r"^\d+<(?P<path>[^>]*)>")


class Call(NamedTuple):
    """A system call. begun, done : lines of the trace at which it was entered and had returned."""

    name: str
    path: str  # of the descriptor that it was given, where it was given one
    given: str
    begun: int
    done: int


def strace(output: Path, *command: object) -> list[str]:
    """The words that run `beadbook` under strace; the test is skipped where that can't be done."""
    found = shutil.which("strace")
    if found is None:
        pytest.skip("no strace on this machine (Debian: apt-get install strace)")
    tried = subprocess.run([found, "-f", "-o", "/dev/null", "true"], capture_output=True, text=True)
    if tried.returncode:
        pytest.skip(f"strace may not trace here: {tried.stderr.strip()[:200]}")
    traced = [found, "-f", "-y", "-s", "20000", "-e", f"trace={_TRACED}", "-o", output]
    return [str(word) for word in (*traced, sys.executable, "-m", "pipeline", *command)]


def run_traced(words: list[str], **options: object) -> "subprocess.Popen[str]":
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    return subprocess.Popen(words, cwd=ROOT, text=True, **pipes)


def end_traced(process: "subprocess.Popen[str]") -> None:
    """Let the traced process stop as SIGTERM makes it: strace itself would only let go of it."""
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    for child in children:
        os.kill(int(child), signal.SIGTERM)


def calls(lines: list[str]) -> list[Call]:
    """The calls of a trace that returned, in the order in which they were entered."""
    under_way: dict[tuple[str, str], Call] = {}
    found = []
    for number, line in enumerate(lines):
        resumed = _RESUMED.match(line)
        if resumed:
            call = under_way.pop((resumed["pid"], resumed["name"]), None)
            if call is not None:
                found.append(call._replace(done=number))
            continue
        entered = _CALL.match(line)
        if not entered:
            continue
        path = _PATH.match(entered["given"])
        call = Call(entered["name"], path["path"] if path else "", entered["given"], number, number)
        if line.endswith("<unfinished ...>"):
            under_way[entered["pid"], entered["name"]] = call
        else:
            found.append(call)
    return sorted(found, key=lambda call: call.begun)
