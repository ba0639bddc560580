#!/usr/bin/env python3
"""Writes the small frames of the capture tests with Pillow and tifffile, and what Pillow reads back from them.

requirements: numpy==2.4.6 pillow==13.0.0 tifffile==2026.3.3
Run in this folder: python3 make.py
"""
import json

import numpy as np
import tifffile
from PIL import Image, PngImagePlugin
from PIL.TiffImagePlugin import IFDRational

pixels = (np.arange(48, dtype=np.uint16) * 10 + 29000).reshape(6, 8)

ELEMENTS = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:q="http://example.org/quarry/1.0/">
<q:Bands><rdf:Seq><rdf:li>LWIR</rdf:li></rdf:Seq></q:Bands>
<q:TlinearGain>0.04</q:TlinearGain>
<q:Yaw>9352/100</q:Yaw><q:Pitch>-6523/100</q:Pitch><q:Roll>-12/100</q:Roll>
<q:RelativeAltitude>+24.90</q:RelativeAltitude>
</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="w"?>"""

ATTRIBUTES = """<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:h="http://example.org/hill/2.0/" h:GimbalYawDegree="-176.5"
 h:GimbalPitchDegree="-90.0" h:GimbalRollDegree="+0.00" h:Yaw="12.0" h:Pitch="3.0" h:RelativeAltitude="0/1000"
 h:TlinearGain="0.40"/></rdf:RDF></x:xmpmeta>"""


def exif(position=True, xmp=None):
    e = Image.Exif()
    if xmp:
        e[700] = xmp.encode()
    e[271], e[272], e[306] = "Example", "Model 7", "2026:06:18 12:00:00"
    sub, gps = {}, {}
    sub[36867] = "2026:06:18 11:40:02"
    sub[37521] = "33"
    sub[37386] = IFDRational(13, 1)
    if position:
        sub[36881] = "+02:00"
        # Pixels of 12 um: 10000 / 12 to the centimetre.
        sub[41486], sub[41487], sub[41488] = IFDRational(2500, 3), IFDRational(2500, 3), 3
    else:
        # The sensor's size in millimetres, which is no resolution.
        sub[41486], sub[41487], sub[41488] = IFDRational(10880, 1000), IFDRational(8700, 1000), 4
    gps[1], gps[3], gps[5] = "N", "W", b"\x00"
    if position:
        gps[2] = (IFDRational(41), IFDRational(14), IFDRational(18990, 1000))
        gps[4] = (IFDRational(3), IFDRational(54), IFDRational(51011, 1000))
        gps[6] = IFDRational(6373, 10)
    else:
        gps[2] = gps[4] = (IFDRational(0), IFDRational(0), IFDRational(0))
        gps[6] = IFDRational(0, 1)
    e[34665], e[34853] = sub, gps
    return e.tobytes()


image = Image.fromarray(pixels)
image.save("elements.tif", exif=exif(xmp=ELEMENTS))
image.save("no_fix.tif", exif=exif(False, ATTRIBUTES))
text = PngImagePlugin.PngInfo()
text.add_itxt("XML:com.adobe.xmp", ELEMENTS, zip=True)
image.save("compressed_xmp.png", exif=exif(), pnginfo=text)
for name, big in (("big_endian.tif", False), ("bigtiff.tif", True)):
    tifffile.imwrite(
        name, pixels, byteorder=">", bigtiff=big, datetime="2026:06:18 11:40:02", metadata=None,
        extratags=[(700, 1, len(ATTRIBUTES), ATTRIBUTES.encode(), True), (271, 2, 0, "Example", True)],
    )

# What Pillow reads back.
expected = {}
for name in ("elements.tif", "no_fix.tif", "compressed_xmp.png"):
    e = Image.open(name).getexif()
    sub, gps = e.get_ifd(34665), e.get_ifd(34853)
    angle = lambda v: float(v[0]) + float(v[1]) / 60 + float(v[2]) / 3600
    expected[name] = {
        "model": f"{e[271]} {e[272]}",
        "time": sub[36867],
        "subsec": sub[37521],
        "offset": sub.get(36881),
        "focal_length_mm": float(sub[37386]),
        "lat": angle(gps[2]) * (-1 if gps[1] == "S" else 1),
        "lon": angle(gps[4]) * (-1 if gps[3] == "W" else 1),
        "altitude_m": float(gps[6]),
        "pitch_um": 1e4 / float(sub[41486]) if sub[41488] == 3 else None,
    }
json.dump(expected, open("expected.json", "w"), indent=1)
