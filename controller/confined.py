"""Permanent loss of a process's rights to gain privileges and to use the network.

This works on Linux only. Elsewhere the rights stay, because this is only a second protection: no
code of a worker process opens a connection.
"""

from __future__ import annotations

import ctypes
import errno
import platform
import struct
import sys

PR_SET_NO_NEW_PRIVS, PR_SET_SECCOMP, SECCOMP_MODE_FILTER = 38, 22, 2
AF_UNIX = 1
# For each architecture on which Evenwall runs: the number of socket(2), and the architecture's name
# in the kernel's filters (linux/audit.h).
MACHINES = {"x86_64": (41, 0xC000003E), "aarch64": (198, 0xC00000B7)}
# Classic BPF (linux/bpf_common.h): load a word; jump if equal; return.
LOAD, EQUAL, RETURN = 0x20, 0x15, 0x06
NUMBER_AT, MACHINE_AT, FIRST_ARGUMENT_AT = 0, 4, 16  # in struct seccomp_data
ALLOW, REFUSE = 0x7FFF0000, 0x00050000 | errno.EACCES


def _program(socket: int, machine: int) -> list[tuple[int, int, int, int]]:
    """Return a filter of (code, jump if true, jump if false, value) that lets socket() make local
    sockets only."""
    return [
        (LOAD, 0, 0, MACHINE_AT),
        (EQUAL, 0, 5, machine),  # calls of another architecture have other numbers: refused
        (LOAD, 0, 0, NUMBER_AT),
        (EQUAL, 0, 2, socket),
        (LOAD, 0, 0, FIRST_ARGUMENT_AT),
        (EQUAL, 0, 1, AF_UNIX),
        (RETURN, 0, 0, ALLOW),
        (RETURN, 0, 0, REFUSE),
    ]


class _Filter(ctypes.Structure):
    _fields_ = (("length", ctypes.c_ushort), ("program", ctypes.c_void_p))


def without_network() -> bool:
    """Prevent this process and its children from opening a connection and from gaining rights.

    Returns False if the system does not support this (seccomp(2), PR_SET_NO_NEW_PRIVS; Linux 3.5).
    """
    known = MACHINES.get(platform.machine())
    if sys.platform != "linux" or known is None:
        return False
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0:
        return False
    steps = b"".join(struct.pack("=HBBI", *step) for step in _program(*known))
    kept = ctypes.create_string_buffer(steps, len(steps))
    told = _Filter(len(steps) // 8, ctypes.addressof(kept))
    return bool(libc.prctl(PR_SET_SECCOMP, SECCOMP_MODE_FILTER, ctypes.byref(told), 0, 0) == 0)
