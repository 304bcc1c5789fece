"""Processes and their supervisor: what dies is started again, as a container engine would."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

LOOK_EVERY_S = 0.2
RESTART_AFTER_S = 0.5


def catches(pid: int, number: signal.Signals) -> bool:
    """Whether a process has a handler for that signal: proc(5), the mask SigCgt, whose lowest bit is
    signal 1."""
    try:
        status = Path(f"/proc/{pid}/status").read_text()
    except FileNotFoundError:
        return False
    mask = next(line for line in status.splitlines() if line.startswith("SigCgt:")).split()[1]
    return bool(int(mask, 16) >> (number - 1) & 1)


@dataclass
class Process:
    """One process of the fleet. tree: the checkout it runs from; changing it takes effect at the next
    start."""

    name: str
    role: str
    tree: Path
    environment: Mapping[str, str]
    log: Path
    running: subprocess.Popen[bytes] | None = None
    codes: list[int] = field(default_factory=list)
    due_s: float = 0.0

    def start(self) -> None:
        command = [sys.executable, "-m", "tests.acceptance.fleetlife.child", self.role]
        with self.log.open("ab") as log:
            self.running = subprocess.Popen(
                command,
                cwd=self.tree,
                env={**os.environ, **self.environment, "PYTHONPATH": str(self.tree)},
                stdout=log,
                stderr=log,
            )

    @property
    def is_up(self) -> bool:
        return self.running is not None and self.running.poll() is None

    def signal(self, number: signal.Signals) -> None:
        if self.running is not None and self.is_up:
            self.running.send_signal(number)

    def stop(self, within_s: float) -> int:
        """Ask it to end once it hears that, and wait; its exit code.

        What has only just been started and loads its code would be ended by the signal itself.
        """
        assert self.running is not None, "started before it is stopped"
        self.signal(signal.SIGCONT)
        ends = time.monotonic() + within_s
        while self.is_up and time.monotonic() < ends and not catches(self.running.pid, signal.SIGTERM):
            time.sleep(LOOK_EVERY_S)
        self.signal(signal.SIGTERM)
        try:
            return self.running.wait(within_s)
        except subprocess.TimeoutExpired:
            self.running.kill()
            return self.running.wait()


class Supervisor:
    """Starts again what has ended, until it is told to let all end."""

    def __init__(self, processes: list[Process]) -> None:
        self.processes = processes
        self._resting: set[str] = set()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look_after, name="supervisor", daemon=True)

    def start(self) -> None:
        for process in self.processes:
            process.start()
        self._thread.start()

    def replace(self, process: Process, tree: Path, within_s: float) -> int:
        """End a process in good order and start it from another checkout; how it ended."""
        self._resting.add(process.name)
        code = process.stop(within_s)
        process.tree = tree
        process.start()
        self._resting.discard(process.name)
        return code

    def stop(self, within_s: float) -> list[int]:
        """End all in good order; their exit codes."""
        self._over.set()
        self._thread.join()
        return [process.stop(within_s) for process in self.processes if process.is_up]

    @property
    def codes(self) -> dict[str, Counter[int]]:
        """How processes of each role ended by themselves or were ended."""
        codes: dict[str, Counter[int]] = {}
        for process in self.processes:
            codes.setdefault(process.role, Counter()).update(process.codes)
        return codes

    def _look_after(self) -> None:
        while not self._over.wait(LOOK_EVERY_S):
            for process in self.processes:
                if process.name not in self._resting:
                    self._start_again(process)

    def _start_again(self, process: Process) -> None:
        assert process.running is not None, "all were started"
        code = process.running.poll()
        if code is None:
            return
        if not process.due_s:
            process.codes.append(code)
            process.due_s = time.monotonic() + RESTART_AFTER_S
        elif time.monotonic() >= process.due_s:
            process.due_s = 0.0
            process.start()
