"""Make the small picture files that tests/decode.rs reads, with independent
libraries, and write what those libraries read back to expected.json.

    python3 -m venv /tmp/seeds && /tmp/seeds/bin/pip install -r requirements.txt
    /tmp/seeds/bin/python make.py

Every picture is lopsided (no row, column or diagonal equals another), so that
a wrong row order, a transposition or a shift of one pixel shows. Expected rows
stand as displayed, the first on top; FITS arrays are turned over for that
unless the file says ROWORDER = TOP-DOWN. Colour is R/4 + G/2 + B/4.
"""

import gzip
import io
import json
from pathlib import Path

import imagecodecs
import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image

HERE = Path(__file__).parent
W, H = 12, 9
EXPECTED = {}
Y, X = np.mgrid[0:H, 0:W]


def ramp(low, high, seed=1):
    """An H x W picture from low to high without any symmetry."""
    r = np.random.default_rng(seed)
    values = (X + 2 * Y + 0.37 * X * Y) / 70 + r.uniform(0, 0.02, (H, W))
    values = (values - values.min()) / (values.max() - values.min())
    return low + values * (high - low)


def luminance(rgb):
    rgb = np.asarray(rgb, dtype=float)
    return rgb[..., 0] / 4 + rgb[..., 1] / 2 + rgb[..., 2] / 4


def expect(name, frames, full=None, tolerance=0.0, **more):
    EXPECTED[name] = {
        "frames": [
            {"width": int(f.shape[1]), "height": int(f.shape[0]), "data": [float(f"{v:.9g}") for v in np.ravel(f)]}
            for f in frames
        ],
        "full_scale": full,
        "tolerance": tolerance,
        **more,
    }


def fits_bytes(hdus):
    out = io.BytesIO()
    fits.HDUList(hdus).writeto(out)
    return out.getvalue()


def shown(array, top_down=False):
    array = np.asarray(array, dtype=float)
    return array if top_down else array[::-1]


def save_fits(name, hdu, full=None, **more):
    """Write one picture and take the expectation from astropy's own reading."""
    data = fits_bytes([hdu])
    (HERE / name).write_bytes(data)
    with fits.open(io.BytesIO(data)) as back:
        expect(name, [shown(back[0].data, back[0].header.get("ROWORDER") == "TOP-DOWN")], full, **more)


def make_fits():
    save_fits("bitpix8.fits", fits.PrimaryHDU(ramp(0, 255).astype(np.uint8)), 255)
    save_fits("bitpix16.fits", fits.PrimaryHDU(ramp(-30000, 30000).astype(np.int16)), 32767)
    save_fits("bitpix32.fits", fits.PrimaryHDU(ramp(-1e6, 2e6).astype(np.int32)), 2147483647)
    save_fits("bitpix64.fits", fits.PrimaryHDU(ramp(-1e6, 2e6).astype(np.int64)), 9223372036854775807)
    save_fits("bitpix-32.fits", fits.PrimaryHDU(ramp(-0.5, 1.5).astype(np.float32)))
    save_fits("bitpix-64.fits", fits.PrimaryHDU(ramp(-0.5, 1.5).astype(np.float64)))
    # FITS 4.0 Table 11: unsigned 16 bits are kept signed with BZERO = 32768.
    save_fits("uint16.fits", fits.PrimaryHDU(ramp(0, 65535).astype(np.uint16)), 65535)
    save_fits("uint32.fits", fits.PrimaryHDU(ramp(0, 4e9).astype(np.uint32)), 4294967295)

    scaled = fits.PrimaryHDU(ramp(0, 500).astype(np.float32))
    scaled.scale("int16", bscale=0.0625, bzero=100)
    save_fits("scaled.fits", scaled, 32767 * 0.0625 + 100)

    top = fits.PrimaryHDU(ramp(0, 65535).astype(np.uint16))
    top.header["ROWORDER"] = "TOP-DOWN"
    save_fits("top-down.fits", top, 65535)

    # What a camera program writes; SATURATE by common practice.
    told = fits.PrimaryHDU(ramp(0, 4000).astype(np.uint16))
    for key, value in {
        "XPIXSZ": 3.76, "YPIXSZ": 3.76, "XBINNING": 2, "YBINNING": 2, "FOCALLEN": 1200.0,
        "APTDIA": 200.0, "EXPTIME": 0.25, "DATE-OBS": "2024-11-03T21:14:05.250",
        "FILTER": "Green", "SATURATE": 4095, "OBSERVER": "O'Hara / club", "ROWORDER": "BOTTOM-UP",
    }.items():
        told.header[key] = value
    save_fits("told.fits", told, 4095)

    # BLANK (whole numbers) and NaN (floats): one pixel, mended from its neighbours.
    whole = ramp(0, 3000).astype(np.int16)
    kept = np.median([whole[y, x] for y in (3, 4, 5) for x in (4, 5, 6) if (y, x) != (4, 5)])
    blank = whole.copy()
    blank[4, 5] = -32768
    hdu = fits.PrimaryHDU(blank)
    hdu.header["BLANK"] = -32768
    (HERE / "blank.fits").write_bytes(fits_bytes([hdu]))
    mended = whole.astype(float)
    mended[4, 5] = kept
    expect("blank.fits", [shown(mended)], 32767)

    some = ramp(0, 1).astype(np.float32)
    some[4, 5] = np.nan
    mended = some.astype(float)
    mended[4, 5] = np.nanmedian(some[3:6, 4:7])
    some[0, 0] = np.inf
    mended[0, 0] = np.median([some[0, 1], some[1, 0], some[1, 1]])
    (HERE / "nan.fits").write_bytes(fits_bytes([fits.PrimaryHDU(some)]))
    expect("nan.fits", [shown(mended)])
    some[2:8] = np.nan
    (HERE / "nan-many.fits").write_bytes(fits_bytes([fits.PrimaryHDU(some)]))

    cube = np.stack([ramp(0, 60000, seed) for seed in range(5)]).astype(np.uint16)
    cube[:, 0, :] += np.arange(5, dtype=np.uint16)[:, None] * 1000
    (HERE / "cube.fits").write_bytes(fits_bytes([fits.PrimaryHDU(cube)]))
    expect("cube.fits", [shown(p) for p in cube], 65535)
    (HERE / "cube.fits.gz").write_bytes(gzip.compress(fits_bytes([fits.PrimaryHDU(cube)]), 9, mtime=0))
    expect("cube.fits.gz", [shown(p) for p in cube], 65535)

    rgb = np.stack([ramp(0, 60000, seed) for seed in (7, 8, 9)]).astype(np.uint16)
    rgb[1, 2, 3] = 65535
    hdu = fits.PrimaryHDU(rgb)
    hdu.header["CTYPE3"] = "RGB"
    (HERE / "rgb.fits").write_bytes(fits_bytes([hdu]))
    grey = luminance(np.moveaxis(rgb, 0, 2))
    grey[2, 3] = 65535  # a full colour makes the pixel full
    expect("rgb.fits", [shown(grey)], 65535)

    first, second = ramp(0, 9000, 3).astype(np.int16), ramp(0, 1, 4).astype(np.float32)
    primary = fits.PrimaryHDU()
    primary.header["FOCALLEN"] = 900.0
    table = fits.BinTableHDU.from_columns([fits.Column(name="t", format="E", array=np.arange(3.0))])
    mask = fits.ImageHDU(np.ones((H, W), np.uint8), name="MASK")
    (HERE / "extensions.fits").write_bytes(
        fits_bytes([primary, fits.ImageHDU(first), table, mask, fits.ImageHDU(second)])
    )
    expect("extensions.fits", [shown(first), shown(second)], None, full_scales=[32767, None])

    for index, pattern in enumerate(("RGGB", "BGGR", "GRBG", "GBRG")):
        mosaic = ramp(100, 4000, 20 + index)
        mosaic += np.array([[300, 0], [0, 500]])[Y % 2, X % 2]
        mosaic = mosaic.astype(np.uint16)
        hdu = fits.PrimaryHDU(mosaic)
        hdu.header["BAYERPAT"] = pattern
        hdu.header["XBAYROFF"] = index % 2
        hdu.header["YBAYROFF"] = index // 2
        hdu.header["ROWORDER"] = "TOP-DOWN" if index % 2 else "BOTTOM-UP"
        name = f"bayer-{pattern.lower()}.fits"
        (HERE / name).write_bytes(fits_bytes([hdu]))
        pad = np.pad(mosaic.astype(float), 1, mode="reflect")
        grey = sum(
            wy * wx / 16 * pad[y : y + H, x : x + W]
            for y, wy in enumerate((1, 2, 1))
            for x, wx in enumerate((1, 2, 1))
        )
        expect(name, [shown(grey, bool(index % 2))], 65535)

    packed = fits.CompImageHDU(ramp(0, 3000).astype(np.int16), compression_type="RICE_1", tile_shape=(H, W))
    (HERE / "tile-compressed.fits").write_bytes(fits_bytes([fits.PrimaryHDU(), packed]))


def make_png():
    grey8 = ramp(0, 254).astype(np.uint8)
    grey16 = ramp(0, 65000).astype(np.uint16)
    rgb8 = np.stack([ramp(0, 254, s) for s in (1, 2, 3)], axis=2).astype(np.uint8)
    rgb16 = np.stack([ramp(0, 65000, s) for s in (1, 2, 3)], axis=2).astype(np.uint16)
    rgba8 = np.dstack([rgb8, ramp(0, 255, 9).astype(np.uint8)])

    Image.fromarray(grey8).save(HERE / "grey8.png")
    expect("grey8.png", [grey8], 255)
    Image.fromarray(grey16).save(HERE / "grey16.png")
    expect("grey16.png", [grey16], 65535)
    Image.fromarray(rgb8).save(HERE / "rgb8.png")
    expect("rgb8.png", [luminance(rgb8)], 255)
    Image.fromarray(rgba8, "RGBA").save(HERE / "rgba8.png")
    expect("rgba8.png", [luminance(rgba8)], 255)
    (HERE / "rgb16.png").write_bytes(imagecodecs.png_encode(rgb16))
    expect("rgb16.png", [luminance(rgb16)], 65535)
    palette = Image.fromarray(rgb8).quantize(32)
    palette.save(HERE / "palette.png")
    expect("palette.png", [luminance(np.asarray(palette.convert("RGB")))], 255)
    line = (ramp(0, 1) > 0.5)
    Image.fromarray(line).save(HERE / "grey1.png")
    expect("grey1.png", [line * 255.0], 255)


def linear_light(values):
    """What the sRGB curve of a JPEG stands for (IEC 61966-2-1), 0 to 255."""
    v = np.asarray(values, float) / 255
    return 255 * np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def make_jpeg():
    # Slopes without grain, which survive the compression to a count or two.
    smooth = (20 + 9 * X + 11 * Y).astype(np.uint8)
    rgb = np.stack([smooth, 15 + 7 * X + 13 * Y, 200 - 6 * X - 8 * Y], axis=2).astype(np.uint8)
    for name, array, options in (
        ("grey.jpg", smooth, {}),
        ("rgb.jpg", rgb, {"subsampling": 0}),
        ("progressive.jpg", rgb, {"subsampling": 0, "progressive": True}),
    ):
        Image.fromarray(array).save(HERE / name, quality=98, **options)
        back = np.asarray(Image.open(HERE / name)).astype(float)
        light = linear_light(back)
        # Two counts between decoders are up to five of light.
        expect(name, [light if light.ndim == 2 else luminance(light)], 255, tolerance=5.0)
    turned = Image.fromarray(smooth)
    exif = Image.Exif()
    exif[274] = 6  # shown after a quarter turn clockwise
    turned.save(HERE / "turned.jpg", quality=98, exif=exif)
    back = linear_light(np.asarray(Image.open(HERE / "turned.jpg")))
    expect("turned.jpg", [np.rot90(back, -1)], 255, tolerance=5.0)


def make_tiff():
    def save(name, array, frames, full=None, **options):
        tifffile.imwrite(HERE / name, array, metadata=None, software=False, **options)
        back = tifffile.imread(HERE / name)
        assert np.array_equal(back, array), name
        expect(name, frames, full)

    for dtype, high in (
        ("uint8", 254), ("uint16", 65000), ("uint32", 4e9), ("int16", 32000), ("int32", 2e9),
        ("float32", 1.5), ("float64", 1.5),
    ):
        low = 0 if dtype.startswith("u") else -high / 2
        a = ramp(low, high).astype(dtype)
        full = None if dtype.startswith("f") else int(np.iinfo(dtype).max)
        save(f"{dtype}.tif", a, [a], full, photometric="minisblack")
    g16 = ramp(0, 65000).astype(np.uint16)
    save("big-endian.tif", g16, [g16], 65535, photometric="minisblack", byteorder=">")
    save("bigtiff.tif", g16, [g16], 65535, photometric="minisblack", bigtiff=True)
    save("lzw.tif", g16, [g16], 65535, photometric="minisblack", compression="lzw", predictor=True)
    save("deflate.tif", g16, [g16], 65535, photometric="minisblack", compression="zlib", rowsperstrip=4)
    big = np.pad(g16, ((0, 31), (0, 20)), mode="reflect")
    save("tiles.tif", big, [big], 65535, photometric="minisblack", tile=(16, 16))
    pages = np.stack([ramp(0, 65000, s) for s in range(4)]).astype(np.uint16)
    save("pages.tif", pages, list(pages), 65535, photometric="minisblack")
    for dtype, high, full in (("uint8", 254, 255), ("uint16", 65000, 65535), ("float32", 1.0, None)):
        rgb = np.stack([ramp(0, high, s) for s in (1, 2, 3)], axis=2).astype(dtype)
        save(f"rgb-{dtype}.tif", rgb, [luminance(rgb)], full, photometric="rgb")
    rgb = np.stack([ramp(0, 65000, s) for s in (4, 5, 6)]).astype(np.uint16)
    save("rgb-planar.tif", rgb, [luminance(np.moveaxis(rgb, 0, 2))], 65535, photometric="rgb", planarconfig="separate")
    save("turned.tif", g16, [np.rot90(g16, -1)], 65535, photometric="minisblack", extratags=[(274, "H", 1, 6, True)])
    # Not read: refused in so many words.
    colormap = (np.random.default_rng(5).integers(0, 65000, (3, 256))).astype(np.uint16)
    index = ramp(0, 255).astype(np.uint8)
    tifffile.imwrite(HERE / "palette.tif", index, photometric="palette", colormap=colormap, metadata=None, software=False)
    # White is zero: the file keeps the negative.
    tifffile.imwrite(HERE / "negative.tif", g16, photometric="miniswhite", metadata=None, software=False)
    expect("negative.tif", [65535.0 - g16], 65535)
    # A preview (NewSubfileType 1) before the picture.
    with tifffile.TiffWriter(HERE / "preview.tif") as out:
        out.write(g16[::2, ::2], photometric="minisblack", subfiletype=1, metadata=None, software=False)
        out.write(g16, photometric="minisblack", metadata=None, software=False)
    expect("preview.tif", [g16], 65535)


if __name__ == "__main__":
    make_fits()
    make_png()
    make_jpeg()
    make_tiff()
    lines = ",\n".join(f" {json.dumps(k)}: {json.dumps(v)}" for k, v in EXPECTED.items())
    (HERE / "expected.json").write_text("{\n" + lines + "\n}\n")
    total = sum(p.stat().st_size for p in HERE.iterdir() if p.is_file())
    print(f"{len(EXPECTED)} files expected, {total} bytes in all")
