"""Open a data folder as another user, or on a disk that refuses writes, and print the result.

`python -m tests.faults.stranger FOLDER UID GOOD [full]`. UID 0 changes nothing; GOOD is a sound
data folder; full: no file may grow.
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import sys
import tempfile
from pathlib import Path

from tests.faults.folders import come_up


def main(words: list[str]) -> None:
    """Give up rights first, then open the folder."""
    folder, uid, full = Path(words[0]), int(words[1]), words[3:] == ["full"]
    with tempfile.TemporaryDirectory() as scratch:  # import every module while it may be read
        come_up(Path(shutil.copytree(words[2], Path(scratch) / "data")))
    if uid:
        os.setgroups([])
        os.setgid(uid)
        os.setuid(uid)
    if full:
        # A write beyond it fails with EFBIG, as one on a full disk does with ENOSPC: OSError both.
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    print(come_up(folder))


if __name__ == "__main__":
    main(sys.argv[1:])
