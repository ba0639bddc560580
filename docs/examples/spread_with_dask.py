"""Spreads a flight over the workers of a Dask cluster, and joins their parts to one run.

    dask scheduler                                    # on one machine, which prints its address
    dask worker tcp://HOST:8786 --nthreads 1          # on each machine that shall work
    python3 spread_with_dask.py tcp://HOST:8786 FLIGHT RUN --parts 8

All machines must reach FLIGHT and the folder of RUN by the same path, and have the same version of `thermal`.

A worker that dies in the middle of a part is no loss: Dask gives the part to another, which goes on from the frames that are
done. A part that is missing, damaged, or made with other settings is refused by `thermal gather`, never left out.
"""

import argparse
import shutil
import subprocess
import sys
import time
from pathlib import Path

from distributed import Client

BUSY = "another run is being written there"


def inspect_part(thermal, flight, out, part, of, threads, patience_s=3600):
    """Done on a worker: analyses one part of the frames; the folder of the part."""
    # --resume takes over what a lost worker had done; --force does a finished part again if it is asked for twice.
    command = [thermal, "inspect", flight, "--part", f"{part}/{of}", "--out", out, "--resume", "--force", "--quiet"]
    if threads:
        command += ["--threads", str(threads)]
    give_up = time.monotonic() + patience_s
    while True:
        done = subprocess.run(command, capture_output=True, text=True)
        if done.returncode == 0:
            return out
        # Of a lost worker the program itself may still be alive and at work on this part: it is not disturbed.
        if BUSY not in done.stderr or time.monotonic() > give_up:
            raise RuntimeError(done.stderr.strip())
        time.sleep(0.5)


def main():
    parser = argparse.ArgumentParser(description="Spreads a flight over the workers of a Dask cluster.")
    parser.add_argument("scheduler", help="address of the scheduler, such as tcp://HOST:8786")
    parser.add_argument("flight", type=Path, help="inspection folder")
    parser.add_argument("run", type=Path, help="run folder to write; the parts lie beside it until they are joined")
    parser.add_argument("--parts", type=int, default=8, help="some times the number of workers, so that none waits long")
    parser.add_argument("--threads", type=int, help="threads of one worker's program; all cores by default")
    parser.add_argument("--thermal", default="thermal", help="the program")
    given = parser.parse_args()

    flight, run = str(given.flight.resolve()), given.run.resolve()
    folders = [str(run.with_name(f"{run.name}-part{k}")) for k in range(1, given.parts + 1)]
    with Client(given.scheduler) as client:
        jobs = [
            client.submit(inspect_part, given.thermal, flight, folder, k, given.parts, given.threads, pure=False, retries=2)
            for k, folder in enumerate(folders, start=1)
        ]
        try:
            client.gather(jobs)
        except RuntimeError as error:
            sys.exit(f"a part failed: {error}")
    joined = subprocess.run([given.thermal, "gather", str(run), *folders, "--folder", flight])
    # 3: joined, but some frames could not be used; the run names them.
    if joined.returncode in (0, 3):
        for folder in folders:
            shutil.rmtree(folder)
    sys.exit(joined.returncode)


if __name__ == "__main__":
    main()
