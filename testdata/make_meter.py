#!/usr/bin/env python3
"""Photographs of a meter for `thermal readings`, written by Pillow, and what pvlib says of the sun above them.

Requirements, pinned:  pillow==13.0.0  pvlib==0.16.1  pandas
Run:                   python3 testdata/make_meter.py testdata/meter

Writes tiny JPEG files with the EXIF that phones write, and prints the clear sky of pvlib for the unit test in
thermal-core/src/readings.rs.
"""
import pathlib
import sys

import PIL
import pandas as pd
from PIL import Image, ImageDraw
from pvlib import atmosphere, clearsky, irradiance, solarposition

ORIGINAL, OFFSET, SUBSEC = 36867, 36881, 37521


def photo(path, shown, time, offset=None, position=None):
    picture = Image.new("RGB", (48, 32), (60, 70, 60))
    ImageDraw.Draw(picture).text((10, 10), shown, fill=(230, 240, 220))
    exif = Image.Exif()
    if time:
        ifd = exif.get_ifd(34665)
        ifd[ORIGINAL] = time
        if offset:
            ifd[OFFSET] = offset
    if position:
        lat, lon = position
        gps = exif.get_ifd(34853)
        gps[1], gps[2] = ("N" if lat >= 0 else "S"), dms(lat)
        gps[3], gps[4] = ("E" if lon >= 0 else "W"), dms(lon)
    picture.save(path, "JPEG", quality=60, exif=exif)


def dms(value):
    value = abs(value)
    degrees = int(value)
    minutes = int((value - degrees) * 60)
    return (float(degrees), float(minutes), round((value - degrees - minutes / 60) * 3600, 2))


folder = pathlib.Path(sys.argv[1])
folder.mkdir(exist_ok=True)
here = (48.1, 11.6)
photo(folder / "m1.jpg", "812", "2026:06:21 10:20:00", "+02:00", here)
photo(folder / "m2.jpg", "861", "2026:06:21 10:40:00", "+02:00", here)
photo(folder / "m3.jpg", "905", "2026:06:21 11:00:00")  # no zone
photo(folder / "m4.jpg", "---", None)  # as a messenger leaves it

place = dict(latitude=48.1, longitude=11.6, altitude=520.0)
for name, time, tilt in [
    ("winter noon", "2026-12-21T11:15:00Z", 30.0),
    ("m1", "2026-06-21T08:20:00Z", 25.0),
    ("m2", "2026-06-21T08:40:00Z", 25.0),
    ("m3", "2026-06-21T09:00:00Z", 25.0),
]:
    times = pd.DatetimeIndex([time])
    sun = solarposition.get_solarposition(times, **place)
    extra = irradiance.get_extra_radiation(times)
    airmass = atmosphere.get_absolute_airmass(
        atmosphere.get_relative_airmass(sun.apparent_zenith), atmosphere.alt2pres(520.0)
    )
    sky = clearsky.ineichen(sun.apparent_zenith, airmass, 3.0, 520.0, extra)
    poa = irradiance.get_total_irradiance(
        tilt, 180.0, sun.apparent_zenith, sun.azimuth, sky.dni, sky.ghi, sky.dhi, dni_extra=extra, model="haydavies"
    ).poa_global
    print(f"{name}: in the plane {poa.iloc[0]:.1f}, level {sky.ghi.iloc[0]:.1f} W/m2")
print("pillow", PIL.__version__)
