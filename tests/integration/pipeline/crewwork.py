"""Work for a crew of processes, and a parent of one that can be killed."""

from __future__ import annotations

import os
import sys

from service.pipeline.judging.process_pool import ProcessPool, WorkerState


def process_of(desk: WorkerState, task: int) -> int:
    """The number of the process that did it."""
    return os.getpid()


def end_of(desk: WorkerState, task: int) -> int:
    """As where memory runs out."""
    if task == 1:
        os._exit(9)
    return task


def main(store_url: str) -> None:
    """Say the numbers of the crew's processes, and wait until somebody ends this one."""
    with ProcessPool(store_url, 2) as crew:
        sys.stdout.write(" ".join(str(each) for each in crew.each(process_of, range(8))) + "\n")
        sys.stdout.flush()
        sys.stdin.read()


if __name__ == "__main__":
    main(sys.argv[1])
