"""What the kernel knows of another process."""

from pathlib import Path


def cpu_s(pid: int) -> float:
    """Processor time of all threads that are alive, in seconds, to the nanosecond."""
    total_ns = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        total_ns += int((task / "schedstat").read_text().split()[0])
    return total_ns / 1e9


def resident_mib(pid: int) -> float:
    """Resident memory in MiB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise ValueError(f"process {pid} has no VmRSS")


def written_bytes(pid: int) -> int:
    """What it has had written to storage, as the kernel counts it: whole pages."""
    for line in Path(f"/proc/{pid}/io").read_text().splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise ValueError("the kernel does not count what is written")
