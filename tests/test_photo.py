"""Reading pictures: every format, upright, dated, and the bad ones refused in plain words."""

import hashlib
import io
import struct
import zlib
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms, ImageDraw, ImageOps

from turfeye import glance, photo, summary
from turfeye.errors import PhotoError, PhotoMissingError

WIDTH, HEIGHT = 320, 240
SPOTS = Path(__file__).parents[1] / "sample_images/trial-spots/photos"


def picture(seed: int = 0) -> Image.Image:
    """Smooth coloured blobs, different in every corner, so that a wrong turn can't pass."""
    coarse = np.random.default_rng(seed).integers(20, 230, (4, 5, 3), np.uint8)
    return Image.fromarray(cv2.resize(coarse, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC))


def exif(**tags) -> Image.Exif:
    facts = Image.Exif()
    part = facts.get_ifd(0x8769)
    codes = {"taken": 0x9003, "offset": 0x9011, "f35": 0xA405, "width": 0xA002, "height": 0xA003}
    codes |= {"comment": 0x9286, "zoom": 0xA404}
    for name, value in tags.items():
        if name in codes:
            part[codes[name]] = value
        else:
            facts[{"orientation": 0x0112, "make": 0x010F, "model": 0x0110}[name]] = value
    return facts


def test_reads_a_jpeg(tmp_path):
    path = tmp_path / "a.jpg"
    facts = exif(taken="2026:04:02 10:41:00", offset="+01:00", f35=26, make="Maker", model="Maker One")
    picture().save(path, quality=95, exif=facts)
    before = path.read_bytes()
    got = photo.read(path)
    assert got.rgb_coded.shape == (HEIGHT, WIDTH, 3)
    assert got.rgb_coded.dtype == np.uint8
    assert got.rgb_coded.flags.c_contiguous
    assert np.abs(got.rgb_coded.astype(int) - np.asarray(picture())).mean() < 3
    assert got.taken.isoformat() == "2026-04-02T10:41:00+01:00"
    assert got.taken_from == "exif"
    assert got.camera == "Maker One"
    assert got.digest == hashlib.sha256(before).hexdigest()
    assert path.read_bytes() == before


@pytest.mark.parametrize("kind", ["png", "tiff", "webp", "avif", "jpg"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_upright_in_every_format(tmp_path, kind, orientation):
    """Against Pillow's own ImageOps.exif_transpose (EXIF orientation, CIPA DC-008 tag 0x0112)."""
    path = tmp_path / f"a.{kind}"
    picture().save(path, exif=exif(orientation=orientation), **({"quality": 95} if kind != "png" else {}))
    want = np.asarray(ImageOps.exif_transpose(Image.open(path)).convert("RGB")).astype(int)
    got = photo.read(path).rgb_coded
    assert got.shape == want.shape
    assert np.abs(got - want).mean() < 2


def test_heic_is_not_turned_twice():
    rgb = np.arange(2 * 3 * 3, dtype=np.uint8).reshape(2, 3, 3)
    assert photo._upright(rgb, exif(orientation=6), "HEIF").shape == (2, 3, 3)
    assert photo._upright(rgb, exif(orientation=6), "JPEG").shape == (3, 2, 3)


# The HEIC decoder we use has no encoder. This file was written by pillow-heif 1.8.1 (libheif 1.23.6, x265)
# from the sample spot of 13 April, made smaller by Pillow, as a phone held upright writes it:
#     facts = sample.getexif(); facts[0x0112] = 6
#     sample.resize((816, 612), Image.Resampling.LANCZOS).save("phone.heic", quality=50, exif=facts.tobytes())
HEIC = Path(__file__).parent / "data/phone.heic"


def test_heic_is_read_like_the_jpeg_that_it_was_made_from():
    """A phone's container turns the picture, and its header says so too: it must be turned once."""
    sample = SPOTS / "2026-04-13-spot-1.jpg"
    with Image.open(sample) as stored:
        small = np.asarray(stored.resize((816, 612), Image.Resampling.LANCZOS))
    got, jpeg = photo.read(HEIC), photo.read(sample)
    assert got.rgb_coded.shape == (816, 612, 3)
    assert np.abs(got.rgb_coded.astype(int) - np.rot90(small, -1)).mean() < 10  # grass at quality 50
    assert (got.taken, got.taken_from, got.camera) == (jpeg.taken, "exif", jpeg.camera)
    assert got.focal_px == pytest.approx(jpeg.focal_px / 2)


def test_a_heic_photo_is_measured():
    seen = glance.look(HEIC)
    assert seen.sighting.spot == 1
    want = summary.means(glance.look(SPOTS / "2026-04-13-spot-1.jpg").table)
    assert summary.means(seen.table)["cover"] == pytest.approx(want["cover"], abs=want["cover_se"])


def test_heic_cut_short_says_what_to_do(tmp_path):
    path = tmp_path / "IMG_0042.HEIC"
    path.write_bytes(HEIC.read_bytes()[:60_000])
    with pytest.raises(PhotoError, match="export it there as JPEG"):
        photo.read(path)


def test_display_p3_becomes_srgb(tmp_path):
    """P3 (0, 255, 0) lies outside sRGB, a muted green inside: (100, 150, 80) in P3 is about (86, 152, 72).

    Worked out from the two colour spaces' primaries (SMPTE EG 432-1; IEC 61966-2-1).
    """
    p3 = np.array(
        [[0.4865709, 0.2656677, 0.1982173], [0.2289746, 0.6917385, 0.0792869], [0.0, 0.0451134, 1.0439444]]
    )
    srgb = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.072175],
            [0.0193339, 0.119192, 0.9503041],
        ]
    )
    code = np.array([100, 150, 80])
    linear = ((code / 255 + 0.055) / 1.055) ** 2.4
    want = 255 * (1.055 * np.maximum(np.linalg.solve(srgb, p3 @ linear), 0) ** (1 / 2.4) - 0.055)
    path = tmp_path / "p3.png"
    flat = np.broadcast_to(code.astype(np.uint8), (HEIGHT, WIDTH, 3))
    Image.fromarray(flat.copy()).save(path, icc_profile=p3_profile())
    got = photo.read(path).rgb_coded.reshape(-1, 3).mean(axis=0)
    assert np.abs(got - want).max() < 2
    assert np.abs(want - code).max() > 8


def p3_profile() -> bytes:
    """sRGB's own profile with the Display-P3 colorants (D50-adapted, ICC's published s15Fixed16 values)."""
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    colorants = {
        b"rXYZ": (0.51512, 0.2412, -0.00105),
        b"gXYZ": (0.29198, 0.69225, 0.04189),
        b"bXYZ": (0.1571, 0.06657, 0.78407),
    }
    for k in range(int.from_bytes(data[128:132], "big")):
        entry = 132 + 12 * k
        name, start = bytes(data[entry : entry + 4]), int.from_bytes(data[entry + 4 : entry + 8], "big")
        size = int.from_bytes(data[entry + 8 : entry + 12], "big")
        if name in colorants:
            numbers = [round(v * 65536).to_bytes(4, "big", signed=True) for v in colorants[name]]
            data[start + 8 : start + 20] = b"".join(numbers)
        if name in (b"desc", b"dmnd", b"dmdd"):  # the description says sRGB; blank it
            data[start + 12 : start + size] = data[start + 12 : start + size].replace(
                b"s\0R\0G\0B", b"P\x003\0 \0 "
            )
    return bytes(data)


def test_focal_length_is_diagonal_based(tmp_path):
    """CIPA DC-008: 26 mm at 4000 x 3000 is 3004.6 px, 67.30 degrees across."""
    focal = photo.focal_from_35mm(26, (4000, 3000))
    assert focal == pytest.approx(3004.6, abs=0.05)
    assert 2 * np.degrees(np.arctan(2000 / focal)) == pytest.approx(67.30, abs=0.01)
    path = tmp_path / "a.jpg"
    picture().save(path, exif=exif(f35=26, width=4000, height=3000))
    assert photo.read(path).focal_px == pytest.approx(3004.6 * WIDTH / 4000, abs=0.05)


SKY, INK = (251, 252, 255), (230, 230, 230)


def on_a_screen(photo_of: Image.Image, size, *, colour=(0, 0, 0)) -> Image.Image:
    """A photo as a phone's gallery shows it: in the middle, a clock and buttons above and below it."""
    screen = Image.new("RGB", size, colour)
    scale = min(size[0] / photo_of.width, size[1] / photo_of.height)
    shown = photo_of.resize((round(photo_of.width * scale), round(photo_of.height * scale)), Image.LANCZOS)
    screen.paste(shown, ((size[0] - shown.width) // 2, (size[1] - shown.height) // 2))
    draw = ImageDraw.Draw(screen)
    draw.rectangle((30, 10, 80, 25), fill=INK)
    for k in range(4):
        x = (k + 0.5) * size[0] / 4
        draw.ellipse((x - 14, size[1] - 60, x + 14, size[1] - 32), fill=INK)
    return screen


@pytest.mark.parametrize("colour", [(0, 0, 0), (255, 255, 255), (24, 26, 30)])
@pytest.mark.parametrize(("size", "kind"), [((432, 936), "png"), ((936, 432), "jpg")])
def test_the_picture_of_a_screen_is_refused(tmp_path, size, kind, colour):
    path = tmp_path / f"IMG_0321.{kind}"
    on_a_screen(picture(), size, colour=colour).save(path, quality=80)
    with pytest.raises(PhotoError, match=r"picture of a screen.*bars.*the photo itself"):
        photo.read(path)


@pytest.mark.parametrize("name", ["Screenshot_20260402-104100.png", "screen-shot 2.jpg"])
def test_what_says_that_it_is_of_a_screen_is_refused_unless_a_camera_wrote_it(tmp_path, name):
    path = tmp_path / name
    picture().save(path)
    with pytest.raises(PhotoError, match=r"picture of a screen.*says so itself"):
        photo.read(path)
    picture().save(path, exif=exif(make="Maker", model="Maker One"))
    assert photo.read(path).camera == "Maker One"


def test_the_header_s_comment_tells_the_picture_of_a_screen(tmp_path):
    """As a phone maker's screenshots have it in EXIF's UserComment (from memory)."""
    facts = exif(orientation=1, comment=b"ASCII\0\0\0Screenshot")
    picture().save(tmp_path / "IMG_0042.PNG", exif=facts)
    with pytest.raises(PhotoError, match="says so itself"):
        photo.read(tmp_path / "IMG_0042.PNG")


def test_a_camera_s_own_bar_below_the_photo_is_told_as_that(tmp_path):
    path = tmp_path / "IMG_0042.jpg"
    framed = Image.new("RGB", (WIDTH, HEIGHT + 24), (255, 255, 255))
    framed.paste(picture(), (0, 0))
    ImageDraw.Draw(framed).text((20, HEIGHT + 6), "Maker One", fill=(60, 60, 60))
    framed.save(path, quality=95, exif=exif(make="Maker", model="Maker One"))
    with pytest.raises(PhotoError, match="switch frames and watermarks off"):
        photo.read(path)


def test_white_sky_over_a_fence_and_black_shade_in_front_are_no_bars(tmp_path):
    """Burnt out and drowned to one code over the whole width, but for an edge that no screen has."""
    rgb = np.asarray(picture()).copy()
    rgb[:60], rgb[-50:] = SKY, (0, 0, 0)
    slant = np.arange(WIDTH) // 12
    for x in range(WIDTH):
        rgb[60 : 60 + slant[x] + x * 7 % 9, x] = SKY
        rgb[-50 - slant[x] - x * 5 % 11 : -50, x] = 0
    path = tmp_path / "a.png"
    Image.fromarray(rgb).save(path)
    assert photo.read(path).rgb_coded.shape == (HEIGHT, WIDTH, 3)
    rgb[60:120] = picture().crop((0, 60, WIDTH, 120))  # straight, as a wall's coping: above alone it may be
    Image.fromarray(rgb).save(path)
    assert photo.read(path).rgb_coded.shape == (HEIGHT, WIDTH, 3)


def test_focal_length_is_unknown_after_a_crop_or_a_digital_zoom_or_when_absent(tmp_path):
    path = tmp_path / "a.jpg"
    picture().save(path, exif=exif(f35=26, width=4000, height=2250))
    assert photo.read(path).focal_px is None
    picture().save(path, exif=exif(f35=0))
    assert photo.read(path).focal_px is None
    for zoom, known in ((0.0, True), (1.0, True), (1.5, False)):
        picture().save(path, exif=exif(f35=26, zoom=zoom))
        assert (photo.read(path).focal_px is not None) == known
    picture().save(path)
    assert photo.read(path).focal_px is None


@pytest.mark.parametrize(
    ("name", "want"),
    [
        ("2026-03-14T09-12-40-3fa2c1.jpg", datetime(2026, 3, 14, 9, 12, 40)),
        ("20260314_091240.jpg", datetime(2026, 3, 14, 9, 12, 40)),
        ("IMG_20260314_091240_1.jpg", datetime(2026, 3, 14, 9, 12, 40)),
        ("PXL_20260314_091240123.MP.jpg", datetime(2026, 3, 14, 9, 12, 40)),
        ("WhatsApp Image 2026-03-14 at 09.12.40.jpeg", datetime(2026, 3, 14, 9, 12, 40)),
        ("signal-2026-03-14-091240.jpg", datetime(2026, 3, 14, 9, 12, 40)),
        ("2026-03-14 09.12.40.jpg", datetime(2026, 3, 14, 9, 12, 40)),
        ("2026-03-14 back lawn.jpg", datetime(2026, 3, 14, 12)),
        ("2026-03-14-3fa2c1.jpg", datetime(2026, 3, 14, 12)),
        ("IMG-20260314-WA0007.jpg", datetime(2026, 3, 14, 12)),
        ("IMG_4711.jpg", None),
        ("2026-02-30.jpg", None),
        ("1234567890123456.jpg", None),
    ],
)
def test_dates_in_names(name, want):
    assert photo.parse_taken_from_name(name) == want


def test_date_order_header_name_given(tmp_path):
    given = datetime(2025, 1, 1)
    path = tmp_path / "IMG_20260314_091240.jpg"
    picture().save(path, exif=exif(taken="2026:04:02 10:41:00"))
    assert photo.read(path, taken=given).taken_from == "exif"
    picture().save(path, exif=exif(taken="0000:00:00 00:00:00"))
    got = photo.read(path, taken=given)
    assert (got.taken, got.taken_from) == (datetime(2026, 3, 14, 9, 12, 40), "name")
    path = tmp_path / "lawn.jpg"
    picture().save(path)
    got = photo.read(path, taken=given)
    assert (got.taken, got.taken_from) == (given, "given")
    assert (photo.read(path).taken, photo.read(path).taken_from) == (None, None)


@pytest.mark.parametrize(
    ("offset", "hours"), [("-03:30", -3.5), ("+00:00", 0.0), ("   ", None), ("+99:00", None)]
)
def test_offsets(tmp_path, offset, hours):
    path = tmp_path / "a.jpg"
    picture().save(path, exif=exif(taken="2026:04:02 10:41:00", offset=offset))
    shift = photo.read(path).taken.utcoffset()
    assert shift == (None if hours is None else timedelta(hours=hours))


def test_no_such_photo(tmp_path):
    with pytest.raises(PhotoMissingError, match="no photo at"):
        photo.read(tmp_path / "gone.jpg")
    with pytest.raises(FileNotFoundError):
        photo.read(tmp_path / "gone" / "gone.jpg")


def test_a_folder_stands_for_the_pictures_in_it(tmp_path):
    """Beside pictures lie what phones, Windows and macOS put there: clips, edits, thumbnails, forks."""
    for name in ("IMG_2.HEIC", "IMG_10.JPG", "b.webp", "IMG_2.AAE", "IMG_2.MOV", "Thumbs.db", "._IMG_10.JPG"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "more.jpg").mkdir()
    named = tmp_path / "IMG_2.MOV"  # by hand: kept, to be told what is wrong with it
    assert photo.spread([named, tmp_path]) == (
        named,
        *(tmp_path / name for name in ("IMG_10.JPG", "IMG_2.HEIC", "b.webp")),
    )


def test_a_folder_without_pictures_names_those_in_it(tmp_path):
    (tmp_path / "April").mkdir()
    with pytest.raises(PhotoError, match=r"folder without pictures .*; name the folder that has them: April"):
        photo.spread([tmp_path])
    with pytest.raises(PhotoError, match=r"folder without pictures \(JPEG.*\)$"):
        photo.spread([tmp_path / "April"])


def test_not_a_picture(tmp_path):
    path = tmp_path / "notes.jpg"
    path.write_bytes(b"water on Tuesday\n" * 50)
    with pytest.raises(PhotoError, match="no picture"):
        photo.read(path)
    path.write_bytes(b"")
    with pytest.raises(PhotoError, match="empty"):
        photo.read(path)
    with pytest.raises(PhotoError, match="folder"):
        photo.read(tmp_path)


@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "tiff"])
@pytest.mark.parametrize("keep", [0.4, 0.9, 0.99])
def test_cut_short(tmp_path, kind, keep):
    held = io.BytesIO()
    noisy = np.random.default_rng(1).integers(0, 255, (HEIGHT, WIDTH, 3), np.uint8)
    Image.fromarray(noisy).save(held, format={"jpg": "jpeg", "tiff": "tiff"}.get(kind, kind))
    path = tmp_path / f"cut.{kind}"
    path.write_bytes(held.getvalue()[: int(len(held.getvalue()) * keep)])
    with pytest.raises(PhotoError):
        photo.read(path)


def test_cut_short_and_closed_again(tmp_path):
    """A repaired ending doesn't bring the lost rows back; a progressive JPEG cut short is refused, too."""
    held = io.BytesIO()
    noisy = np.random.default_rng(1).integers(0, 255, (HEIGHT, WIDTH, 3), np.uint8)
    for progressive in (False, True):
        held = io.BytesIO()
        Image.fromarray(noisy).save(held, format="jpeg", progressive=progressive)
        path = tmp_path / "cut.jpg"
        path.write_bytes(held.getvalue()[: len(held.getvalue()) // 2] + b"\xff\xd9")
        with pytest.raises(PhotoError, match="cut short"):
            photo.read(path)


def test_grey_pictures_are_refused(tmp_path):
    """``skimage.data.grass()``: real turf, grey only (ships with scikit-image)."""
    from skimage import data

    turf = Image.fromarray(data.grass())
    for name, image in [("a.jpg", turf), ("b.png", turf), ("c.jpg", turf.convert("RGB"))]:
        image.save(tmp_path / name)
        with pytest.raises(PhotoError, match="no colour"):
            photo.read(tmp_path / name)


def test_a_lawn_under_snow_is_not_grey(tmp_path):
    nearly = np.full((HEIGHT, WIDTH, 3), 236, np.uint8)
    nearly[101, 203, 1] = 238
    Image.fromarray(nearly).save(tmp_path / "snow.png")
    assert photo.read(tmp_path / "snow.png").rgb_coded.shape == (HEIGHT, WIDTH, 3)


@pytest.mark.parametrize("side", [18_800, 30_000], ids=["353 MP", "900 MP, which Pillow won't open"])
def test_too_large_says_so(tmp_path, side):
    """A PNG's header alone (PNG specification, 11.2.2): its size is known before any pixel is."""
    path = tmp_path / "wall.png"
    chunks = (b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)), (b"IDAT", zlib.compress(b"\0"))
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + b"".join(
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
            for name, data in chunks
        )
    )
    with pytest.raises(PhotoError, match="more than the 350 megapixels"):
        photo.read(path)


def test_too_small(tmp_path):
    picture().resize((120, 90)).save(tmp_path / "thumb.jpg")
    with pytest.raises(PhotoError, match="120 x 90"):
        photo.read(tmp_path / "thumb.jpg")


def test_other_pixel_kinds(tmp_path):
    clear = picture().convert("RGBA")
    clear.save(tmp_path / "a.png")
    assert np.array_equal(photo.read(tmp_path / "a.png").rgb_coded, np.asarray(picture()))
    picture().convert("CMYK").save(tmp_path / "b.jpg", quality=95)
    assert photo.read(tmp_path / "b.jpg").rgb_coded.shape == (HEIGHT, WIDTH, 3)
