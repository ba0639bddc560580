"""Writes rasters.zip: small TIFF and PNG files over the ways of storing grey values, each with the values that
tifffile (TIFF) or libpng (PNG) reads from it.

    pip install numpy==2.4.6 tifffile==2026.3.3 imagecodecs==2026.3.6 pypng==0.20220715.0
    python testdata/make_rasters.py

Inside the archive:
    u16.raw, f32.raw      the two images, little-endian, 29 rows of 37
    good/NAME             files that must give one of them; NAME begins with u16 or f32, and holds `white` where the file
                          says WhiteIsZero; manifest.json lists them with what was compared
    bad/NAME              files that must be refused
    bombs/NAME            files of this image size whose packed data unpack to 64 MiB
Every good TIFF was read by tifffile and equals its image bit for bit; where libtiff (through imagecodecs) serves the
way of storing, it was read by that as well, with the same result.
"""

import io
import itertools
import json
import struct
import zipfile
from pathlib import Path

import imagecodecs
import numpy as np
import png
import tifffile

H, W = 29, 37
PREDICTOR, NEIGHBOUR = 317, 316  # a tag and an unused one that may stand in its place


def images():
    """Smooth scenes with noise and, in the corners, the values on which a decoder trips."""
    rng = np.random.default_rng(20240601)
    y, x = np.mgrid[0:H, 0:W]
    scene = 29000 + 35 * x - 20 * y + rng.normal(0, 12, (H, W))
    u16 = scene.astype("<u2")
    u16[0, :4] = [0, 65535, 0, 32768]
    u16[-1, -3:] = [65535, 1, 256]
    f32 = (scene * 0.01 - 273.15).astype("<f4")
    f32[0, :6] = [np.nan, np.inf, -np.inf, -0.0, np.float32(1e-45), np.finfo("f4").max]
    f32[-1, -2:] = [-273.15, np.finfo("f4").min]
    return {"u16": u16, "f32": f32}


def differences(image, tile):
    """Predictor 2 for float32, which tifffile reads but does not write: bits as whole numbers, each less its left
    neighbour in the strip or tile."""
    bits = image.view("<u4").astype("u4")
    out = np.diff(bits, axis=1, prepend=np.uint32(0))
    if tile:
        out[:, :: tile[1]] = bits[:, :: tile[1]]
    return out.astype("<u4").view("<f4")


def tiff(image, predictor=1, tile=None, order="<", **options):
    """One page as bytes."""
    file = io.BytesIO()
    extra = []
    if predictor == 2 and image.dtype.kind == "f":
        # tifffile does not write this tag itself: another is written and renamed.
        image, extra, predictor = differences(image, tile), [(NEIGHBOUR, "H", 1, 2, True)], 1
    if predictor != 1:
        options["predictor"] = predictor
    options.setdefault("photometric", "minisblack")
    tifffile.imwrite(file, image, tile=tile, byteorder=order, extratags=extra, metadata=None, software=False, **options)
    data = file.getvalue()
    if extra:
        at = tifffile.TiffFile(io.BytesIO(data)).pages[0].tags[NEIGHBOUR].offset
        data = data[:at] + struct.pack(order + "H", PREDICTOR) + data[at + 2 :]
    return data


def same(a, b):
    return a.shape == b.shape and a.dtype.kind == b.dtype.kind and a.astype(b.dtype).tobytes() == b.tobytes()


def matrix(pictures):
    """Every combination of sample, compression, predictor, layout, byte order and offset size."""
    codecs = {"none": None, "lzw": "lzw", "deflate": "zlib", "packbits": "packbits", "zstd": "zstd"}
    layouts = {
        "onestrip": {},
        "strips5white": {"rowsperstrip": 5, "photometric": "miniswhite"},
        "tiles16x32": {"tile": (16, 32)},
        "onetile64white": {"tile": (64, 64), "photometric": "miniswhite"},
    }
    for name, image in pictures.items():
        for codec, predictor, layout, order, big in itertools.product(codecs, (1, 2, 3), layouts, "<>", (False, True)):
            if predictor != 1 and codec == "none" or predictor == 3 and name == "u16":
                continue
            file = f"{name}_{codec}_p{predictor}_{layout}_{'le' if order == '<' else 'be'}{'_big' if big else ''}.tif"
            data = tiff(image, predictor, order=order, compression=codecs[codec], bigtiff=big, **layouts[layout])
            # libtiff has no predictor with PackBits.
            yield file, name, data, not (codec == "packbits" and predictor != 1)


def pages(*list_of_options):
    """Several pages in one file."""
    file = io.BytesIO()
    with tifffile.TiffWriter(file) as writer:
        for image, options in list_of_options:
            options.setdefault("photometric", "minisblack")
            writer.write(image, metadata=None, software=False, contiguous=False, **options)
    return file.getvalue()


def further(pictures):
    """Good TIFF files outside the matrix: file, image, bytes, the page with the values."""
    u16, f32 = pictures["u16"], pictures["f32"]
    yield "u16_olddeflate_p2.tif", "u16", tiff(u16, 2, compression="deflate"), 0
    yield "u16_strip_of_1.tif", "u16", tiff(u16, rowsperstrip=1, compression="lzw"), 0
    yield "u16_two_pages.tif", "u16", pages((u16, {}), (u16[::-1], {})), 0
    rgb = np.zeros((58, 74, 3), "u1")
    yield "u16_after_picture.tif", "u16", pages((rgb, {"photometric": "rgb"}), (u16, {})), 1
    yield "f32_after_8_bit.tif", "f32", pages((rgb[..., 0], {}), (f32, {"compression": "zstd"})), 1
    small = np.ascontiguousarray(u16[::4, ::4])
    yield "u16_after_reduced.tif", "u16", pages((small, {"subfiletype": 1}), (u16, {})), 1


def png_file(rows, **options):
    file = io.BytesIO()
    png.Writer(W, H, **options).write(file, rows)
    return file.getvalue()


def patched(data, tag, value):
    """A little-endian classic TIFF with the SHORT or LONG value of a tag changed."""
    page = tifffile.TiffFile(io.BytesIO(data)).pages[0]
    at = page.tags[tag].valueoffset
    return data[:at] + struct.pack("<H", value) + data[at + 2 :]


def bad(pictures):
    """Files that must be refused."""
    u16, f32 = pictures["u16"], pictures["f32"]
    u8 = (u16 >> 8).astype("u1")
    rgb = np.stack([u8, u8, u8], axis=-1)
    rgb16 = np.stack([u16, u16, u16], axis=-1)
    colormap = np.zeros((3, 256), "u2")
    yield "grey8.tif", tiff(u8)
    yield "rgb8.tif", tiff(rgb, photometric="rgb")
    yield "rgb16.tif", tiff(rgb16, photometric="rgb")
    yield "palette8.tif", tiff(u8, photometric="palette", colormap=colormap)
    yield "bands_contiguous.tif", tiff(rgb16[..., :2], planarconfig="contig")
    yield "bands_planar.tif", tiff(np.stack([u16, u16, u16, u16]), planarconfig="separate")
    yield "grey_and_opacity.tif", tiff(rgb16[..., :2], planarconfig="contig", extrasamples=["unassalpha"])
    yield "float16.tif", tiff(f32[1:-1].astype("<f2"))
    yield "float64.tif", tiff(f32.astype("<f8"))
    yield "signed16.tif", tiff(u16.astype("<i2"))
    yield "unsigned32.tif", tiff(u16.astype("<u4"))
    yield "signed32.tif", tiff(u16.astype("<i4"))
    yield "jpeg.tif", tiff(u8, compression="jpeg")
    yield "lzma.tif", tiff(u16, compression="lzma")
    yield "only_reduced.tif", tiff(u16, subfiletype=1)
    yield "predictor_3_on_u16.tif", patched(tiff(u16, 2, compression="zlib"), PREDICTOR, 3)
    yield "predictor_9.tif", patched(tiff(u16, 2, compression="zlib"), PREDICTOR, 9)
    yield "predictor_uncompressed.tif", patched(tiff(u16, 2, compression="zlib"), 259, 1)
    yield "left_out_strip.tif", patched(tiff(u16, rowsperstrip=29), 279, 0)
    rows16, rows8 = u16.astype(int).tolist(), u8.tolist()
    yield "grey8.png", png_file(rows8, greyscale=True, bitdepth=8)
    yield "rgb8.png", png_file([[v for v in row for _ in range(3)] for row in rows8], greyscale=False)
    yield "rgb16.png", png_file([[v for v in r for _ in range(3)] for r in rows16], greyscale=False, bitdepth=16)
    yield "grey_and_opacity.png", png_file([[v for v in r for _ in (0, 1)] for r in rows16], greyscale=True, alpha=True, bitdepth=16)
    yield "palette.png", png_file([[v & 1 for v in row] for row in rows8], palette=[(0, 0, 0), (9, 9, 9)], bitdepth=8)


def bombs():
    """The strip of a small file exchanged for one that unpacks to 64 MiB of zeros."""
    zeros = bytes(64 << 20)
    for codec, pack in {
        "zlib": imagecodecs.zlib_encode,
        "lzw": imagecodecs.lzw_encode,
        "packbits": lambda data: b"\x81\x00" * (len(data) // 128),
        "zstd": imagecodecs.zstd_encode,
    }.items():
        strip = pack(zeros)
        data = tiff(np.zeros((H, W), "<u2"), compression=codec)
        tags = tifffile.TiffFile(io.BytesIO(data)).pages[0].tags
        for tag, value in ((273, len(data)), (279, len(strip))):
            assert tags[tag].dtype == 4 and tags[tag].count == 1
            at = tags[tag].valueoffset
            data = data[:at] + struct.pack("<I", value) + data[at + 4 :]
        yield f"{codec}.tif", data + strip


def main():
    pictures = images()
    entries = {f"{name}.raw": image.tobytes() for name, image in pictures.items()}
    manifest = []

    def good(file, name, data, by):
        entries[f"good/{file}"] = data
        manifest.append({"file": file, "pixels": f"{name}.raw", "equal_in": by})

    for file, name, data, in_libtiff in matrix(pictures):
        page = tifffile.TiffFile(io.BytesIO(data)).pages[0]
        image = pictures[name]
        assert same(page.asarray(), image), f"tifffile reads other values from {file}"
        assert ("white" in file) == (page.photometric == 0), file
        if in_libtiff:
            assert same(imagecodecs.tiff_decode(data), image), f"libtiff reads other values from {file}"
        good(file, name, data, ["tifffile", "libtiff"] if in_libtiff else ["tifffile"])
    for file, name, data, index in further(pictures):
        page = tifffile.TiffFile(io.BytesIO(data)).pages[index]
        assert same(page.asarray(), pictures[name]), f"tifffile reads other values from {file}"
        good(file, name, data, ["tifffile"])

    rows = pictures["u16"].astype(int).tolist()
    for file, data in {
        "u16.png": imagecodecs.png_encode(pictures["u16"].astype("u2")),
        "u16_interlaced.png": png_file(rows, greyscale=True, bitdepth=16, interlace=True),
        "u16_stored.png": png_file(rows, greyscale=True, bitdepth=16, compression=0),
    }.items():
        assert same(imagecodecs.png_decode(data), pictures["u16"]), f"libpng reads other values from {file}"
        good(file, "u16", data, ["libpng"])

    entries |= {f"bad/{file}": data for file, data in bad(pictures)}
    entries |= {f"bombs/{file}": data for file, data in bombs()}
    lines = ",\n".join(json.dumps(line) for line in manifest)
    entries["manifest.json"] = f"[\n{lines}\n]\n".encode()
    target = Path(__file__).with_name("rasters.zip")
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, data in entries.items():
            archive.writestr(zipfile.ZipInfo(name, (2024, 6, 1, 0, 0, 0)), data, zipfile.ZIP_DEFLATED, 9)
    print(f"{len(manifest)} good and {sum(n.startswith('bad/') for n in entries)} bad files, {target.stat().st_size} bytes")


if __name__ == "__main__":
    main()
