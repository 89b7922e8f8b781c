"""What a running process costs, as the kernel counts it under /proc."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Final

MB: Final = 1e6
_MAPPING: Final = re.compile(r"^[0-9a-f]+-[0-9a-f]+ \S+ \S+ \S+ \S+\s*(.*)$")


def _proc(pid: int, name: str) -> str:
    return Path(f"/proc/{pid}/{name}").read_text()


def cpu_seconds(pid: int) -> float:
    """User and system time of all its threads, s, in steps of 10 ms."""
    fields = _proc(pid, "stat").rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def pss(pid: int) -> float:
    """MB: its own pages and its share of those that others hold too."""
    return int(re.findall(r"^Pss:\s+(\d+)", _proc(pid, "smaps_rollup"), re.M)[0]) * 1024 / MB


def pss_alone(pid: int, kin: str) -> float:
    """MB, counting in full what only programs of its kin ("python", "node") can share: a board runs no second one,
    while whoever measures may run many."""
    total, path, resident = 0, "", 0
    for line in _proc(pid, "smaps").splitlines():
        if match := _MAPPING.match(line):
            path = match[1]
        elif line.startswith("Rss:"):
            resident = int(line.split()[1])
        elif line.startswith("Pss:"):
            total += resident if kin in path else int(line.split()[1])
    return total * 1024 / MB


def wake_ups(pid: int) -> int:
    """Times that any of its threads of now went to sleep by itself and was woken."""
    count = 0
    for thread in Path(f"/proc/{pid}/task").iterdir():
        found = re.search(r"^voluntary_ctxt_switches:\s+(\d+)", _proc(pid, f"task/{thread.name}/status"), re.M)
        assert found
        count += int(found[1])
    return count


def written(pid: int) -> float:
    """MB sent to a disk. 0 for what lies on a file system in memory."""
    return int(re.findall(r"^write_bytes: (\d+)", _proc(pid, "io"), re.M)[0]) / MB
