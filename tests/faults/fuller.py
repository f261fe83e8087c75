"""Open a data folder on a disk that is full from write number k on; the second victim of cut.c.

`python -m tests.faults.fuller SCRATCH FIRST STRIDE` under the faulty file layer opens a new folder
and one with a casting in its second coat, for k = FIRST, FIRST + STRIDE, ... below MOST.
It prints a line for each: the folder, k, and what the page says.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

from tests.faults.folders import come_up, good_folder

MOST = 80  # more writes than a start makes
NEVER = 10**6


def victim(folder: Path, at: int, to: int) -> None:
    """Open the folder in a separate process, and print the result."""
    child = os.fork()
    if child:
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if status:
            raise SystemExit(f"the start with write {at} refused ended with {status}")
        return
    os.environ["CUT_AT"] = str(at)
    os.write(to, come_up(folder).replace("\n", " ").encode())
    os._exit(0)


def main(scratch: Path, first: int, stride: int) -> None:
    """Refuse every write of the start from number `first` on, then from the next, and so on."""
    (scratch / "beside").mkdir(exist_ok=True)
    for name, good in (("new", None), ("second coat", good_folder())):
        for at in (*range(first, MOST, stride), NEVER):
            folder = scratch / "startup-data"
            if good is None:
                folder.mkdir()
            else:
                shutil.copytree(good, folder)
            there, to = os.pipe()
            victim(folder, at, to)
            os.close(to)
            with os.fdopen(there) as said:
                print(name, at, said.read(), sep="\t", flush=True)
            shutil.rmtree(folder)
            for copy in (scratch / "beside").iterdir():
                shutil.rmtree(copy)  # the record went on there


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
