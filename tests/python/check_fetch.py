"""Fetches a flight from an object store on this machine.

    check_fetch.py THERMAL FLIGHT PLACE

Outside the project: moto's server, which answers as S3 does, and boto3, which puts the objects there.
"""

import logging
import os
import shutil
import subprocess
import sys
from pathlib import Path

import boto3
from moto.server import ThreadedMotoServer

thermal, flight, place = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
logging.getLogger("werkzeug").setLevel(logging.ERROR)
server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
server.start()
endpoint = "http://{}:{}".format(*server.get_host_and_port())
keys = {"AWS_ACCESS_KEY_ID": "nobody", "AWS_SECRET_ACCESS_KEY": "nothing", "AWS_REGION": "us-east-1"}
store = boto3.client(
    "s3", endpoint_url=endpoint, region_name="us-east-1", aws_access_key_id="nobody", aws_secret_access_key="nothing"
)


def fetch(source, folder, *words, code=0):
    environment = {k: v for k, v in os.environ.items() if not k.startswith("AWS_")} | keys
    environment |= {"AWS_ENDPOINT_URL": endpoint, "AWS_ALLOW_HTTP": "true"}
    command = [thermal, "fetch", source, folder, "--quiet", *words]
    done = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=120)
    said = done.stdout + done.stderr
    assert done.returncode == code and "panicked" not in said, (done.returncode, said)
    return said


def files(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


tables = ["inspection.toml", "frames.csv", "irradiance.csv", "layout.geojson"]
expected = {name: data for name, data in files(flight).items() if name in tables or name.startswith("frames/")}
frames = [name for name in expected if name.startswith("frames/")]
# More objects than one page of a listing holds (1000), by frames in a folder of the day; other things lie beside.
expected |= {f"frames/day 2/n{k:04}.tif": b"II*\0" + bytes([k % 256] * (k % 7)) for k in range(1010)}
store.create_bucket(Bucket="flights")
put = lambda key, data: store.put_object(Bucket="flights", Key=key, Body=data)
for name, data in expected.items():
    put(f"2026/quarry site/{name}", data)
put("2026/quarry site/run/findings.csv", b"of an earlier run")
put("2026/quarry site 2/frames/other.tif", b"of another flight")

here = place / "here"
source = "s3://flights/2026/quarry site"
said = fetch(source, here)
assert f"{len(expected)} fetched, 0 were here" in said, said
assert files(here) == expected
# Once more: nothing comes. One is gone, as after a stop, and one was put there anew: the first comes, the second is asked for.
assert f"0 fetched, {len(expected)} were here" in fetch(source, here)
(here / frames[0]).unlink()
assert f"1 fetched, {len(expected) - 1} were here" in fetch(source, here)
assert files(here) == expected
settings = (here / "inspection.toml").read_text() + "\n# a word of the analyst\n"
(here / "inspection.toml").write_text(settings)
said = fetch(source, here, code=3)
assert "inspection.toml: another file stands here already" in said and "--force" in said, said
assert (here / "inspection.toml").read_text() == settings
assert "1 fetched" in fetch(source, here, "--force")
assert files(here) == expected

# The fetched flight gives what the flight gives.
shutil.rmtree(here / "frames/day 2")
for folder, run in ((flight, "of-flight"), (here, "of-fetched")):
    subprocess.run([thermal, "inspect", folder, "--out", place / run, "--quiet"], check=True, stdout=subprocess.DEVNULL)
one, other = files(place / "of-flight"), files(place / "of-fetched")
assert one.pop("run.json") and other.pop("run.json") and one == other and "findings.csv" in one

# What is not there, or leads out of the folder, is refused with a word, and nothing stands there.
never = place / "never"
for wrong, code, word in (
    ("s3://nowhere/2026", 1, "list what lies there"),
    ("s3://flights/2025", 1, "no object lies in frames/"),
    ("https://flights/2026", 2, "give s3://BUCKET/PREFIX"),
):
    said = fetch(wrong, never, code=code)
    assert said.startswith("thermal: ") and word in said and len(said.strip().splitlines()) == 1, said
    assert not never.exists()
put("2024/quarry/frames/a.tif", b"II*\0")
put("2024/quarry/frames/../../../out.tif", b"II*\0")
said = fetch("s3://flights/2024/quarry", never, code=1)
assert not (place / "out.tif").exists() and not list(place.rglob("out.tif")), said
server.stop()
# The store is gone in the middle: said, and what is here stays whole.
(here / frames[0]).unlink()
said = fetch(source, here, code=1)
assert "give the same command again to go on" in said, said
assert not (here / frames[0]).exists() and not list(here.rglob("*.part"))
print("equal")
