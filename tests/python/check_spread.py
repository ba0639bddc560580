"""Spreads a flight over two Dask workers as docs/examples/spread_with_dask.py shows it, and kills workers in the middle.

    check_spread.py THERMAL FLIGHT PLACE

Outside the project: Dask distributed. The joined run must equal the single run byte for byte.
"""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil

thermal, flight, place = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
EXAMPLE = Path(__file__).parents[2] / "docs/examples/spread_with_dask.py"
PARTS = 3


def wait(what, true, seconds=60):
    until = time.monotonic() + seconds
    while not (result := true()):
        assert time.monotonic() < until, f"waited in vain: {what}"
        time.sleep(0.002)
    return result


def files(run):
    """All files of a run but the record, which alone holds times and the command line."""
    found = {str(p.relative_to(run)): p.read_bytes() for p in sorted(run.rglob("*")) if p.is_file()}
    assert found.pop("run.json")
    assert {"findings.csv", "modules.csv", "site.gpkg"} <= set(found), sorted(found)
    return found


class Cluster:
    """A scheduler and two worker processes, each the head of a process group of its own."""

    def __enter__(self):
        self.processes = []
        self.log = open(place / "dask.log", "ab")
        sheet = place / "scheduler.json"
        sheet.unlink(missing_ok=True)
        self.start("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", sheet)
        self.address = json.loads(wait("the scheduler", lambda: sheet.exists() and sheet.read_text()))["address"]
        assert self.address.startswith("tcp://127.0.0.1:"), self.address
        quiet = ["--no-dashboard", "--no-nanny", "--nthreads", "1", "--local-directory", place / "scratch"]
        self.workers = [self.start("worker", self.address, *quiet) for _ in range(2)]
        return self

    def start(self, *words):
        command = [sys.executable, "-m", "dask", *map(str, words)]
        process = subprocess.Popen(command, stdout=self.log, stderr=self.log, start_new_session=True)
        self.processes.append(process)
        return process

    def __exit__(self, *_):
        for process in reversed(self.processes):
            try:
                os.killpg(process.pid, signal.SIGKILL)
            except ProcessLookupError:
                pass
            process.wait()
        self.log.close()


def example(cluster, run, folder=flight):
    words = [cluster.address, folder, run, "--parts", PARTS, "--threads", 1, "--thermal", thermal]
    return subprocess.Popen(
        [sys.executable, str(EXAMPLE), *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )


def ended(process, code):
    said = process.communicate(timeout=300)[0]
    assert process.returncode == code, said
    return said


def at_work(worker):
    """The program of a worker in the middle of its part: process and the part's folder."""
    for child in psutil.Process(worker.pid).children():
        try:
            words = child.cmdline()
        except psutil.NoSuchProcess:
            continue
        if "--part" in words:
            out = Path(words[words.index("--out") + 1])
            journal = out.with_name(f".{out.name}.journal")
            # Longer than its head line: some frames are done.
            if journal.exists() and journal.stat().st_size > 1000:
                return child, out
    return None


def tries(worker, out):
    """Whether a program of the worker is at this folder."""
    for child in psutil.Process(worker.pid).children():
        try:
            if str(out) in child.cmdline():
                return True
        except psutil.NoSuchProcess:
            continue
    return False


single = place / "single"
subprocess.run([thermal, "inspect", flight, "--out", single, "--quiet"], check=True, stdout=subprocess.DEVNULL)
expected = files(single)

with Cluster() as cluster:
    run = place / "undisturbed"
    client = example(cluster, run)
    # Both work: the parts are spread, not done in a row by one. The first one seen is held, since a part is short.
    first, _ = wait("a worker in the middle of a part", lambda: next(filter(None, map(at_work, cluster.workers)), None))
    first.send_signal(signal.SIGSTOP)
    wait("both workers at once", lambda: all(at_work(worker) for worker in cluster.workers))
    first.send_signal(signal.SIGCONT)
    ended(client, 0)
    assert files(run) == expected
    assert not list(place.glob("*-part*")) and not list(place.glob(".*journal"))
    # What the program refuses comes back to who asked, and nothing stands there.
    never = place / "never"
    said = ended(example(cluster, never, place / "nowhere"), 1)
    assert "a part failed: thermal: " in said and "nowhere" in said, said
    assert not never.exists()

# A machine that dies takes the program with it; of a worker that alone dies the program goes on and must not be disturbed.
for name, whole_machine in (("machine", True), ("worker", False)):
    with Cluster() as cluster:
        run = place / f"lost-{name}"
        client = example(cluster, run)
        child, out = wait("a worker in the middle of a part", lambda: at_work(cluster.workers[0]))
        if not whole_machine:
            # Held, so that the other worker surely finds it alive.
            child.send_signal(signal.SIGSTOP)
        os.kill(cluster.workers[0].pid, signal.SIGKILL)
        if whole_machine:
            os.killpg(cluster.workers[0].pid, signal.SIGKILL)
        cluster.workers[0].wait()
        assert not out.exists(), "the part was done before it was interrupted"
        if not whole_machine:
            wait("the other worker takes the part up", lambda: tries(cluster.workers[1], out))
            time.sleep(0.5)
            assert not out.exists() and client.poll() is None, "the living program was disturbed"
            child.send_signal(signal.SIGCONT)
        ended(client, 0)
        assert files(run) == expected, name
print("equal")
