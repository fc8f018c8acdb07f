"""Reads a picture file: upright sRGB pixels, when it was taken, the lens, a digest.

The only place that decodes pictures, and the only one that turns them upright. Never writes to a photo.
"""

from __future__ import annotations

import hashlib
import io
import math
import re
import warnings
from collections.abc import Iterable
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from turfeye import screens
from turfeye.errors import PhotoError, PhotoMissingError
from turfeye.notes import some
from turfeye.records import Bytes, Photo

if TYPE_CHECKING:
    from PIL.Image import Exif, Image

SMALLEST_SIDE_PX = 160
MOST_MEGAPIXELS = 350
"""From twice 179 on Pillow opens no picture."""
KINDS = "JPEG, HEIC, PNG, TIFF, WebP or AVIF"
ENDINGS = (
    ".jpg", ".jpeg", ".jpe", ".jfif", ".heic", ".heif", ".hif", ".png", ".tif", ".tiff", ".webp", ".avif",
)  # fmt: skip
"""How the names of such pictures end, in small letters."""
CAMERA_SHAPES = (1, 5 / 4, 4 / 3, 3 / 2, 16 / 9, 2, 37 / 18, 19 / 9, 13 / 6, 20 / 9, 7 / 3)
"""How much longer than wide cameras write photos, those for a phone's whole screen too: common practice, no
source."""
OTHER_SHAPE = 0.015
"""Relative: 4208 x 3120, which phones write too, is longer than 4 to 3 by 0.012."""
MOST_ZOOM = 1.02
"""Digital zoom (CIPA DC-008, tag 0xA404; 0 where there is none) from which the focal length is not known."""
FULL_FRAME_DIAGONAL_MM = 43.2666
"""Of a 36 x 24 mm frame, to which the 35 mm-equivalent focal length refers (CIPA DC-008, tag 0xA405)."""

# EXIF tags, CIPA DC-008
_ORIENTATION, _MAKE, _MODEL = 0x0112, 0x010F, 0x0110
_EXIF_PART = 0x8769
_TIMES = ((0x9003, 0x9011), (0x9004, 0x9012))  # original, then digitised, each with its offset
_WIDTH, _HEIGHT, _FOCAL_35MM, _ZOOMED = 0xA002, 0xA003, 0xA405, 0xA404
_COMMENT = 0x9286

_NAME_DATE = re.compile(
    r"(?<!\d)((?:19|20)\d\d)([-_.]?)(\d\d)\2(\d\d)"  # day, with one kind of separator or none
    # time of day, which another date is not
    r"(?:(?:[ T_-]|\s+at\s+)(?!\d{4}[-_.]\d\d[-_.])"
    r"([0-2]\d)([-.:_]?)([0-5]\d)(?:\6([0-5]\d))?(?:\d{3})?(?![0-9A-Za-z]))?"
    r"(?!\d)"
)


def read(path: Path | str, *, taken: datetime | None = None) -> Photo:
    """Read one picture.

    The date comes from the header (EXIF DateTimeOriginal, with its offset when there is one), else from the
    file's name, else ``taken``; a photo with none has ``taken`` None. Display-P3 and other profiles are
    converted to sRGB.

    Raises PhotoMissingError (no such file) and PhotoError (not a picture, cut short, grey only, too small, of
    a screen or framed).
    """
    path = Path(path)
    data = _bytes(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow's remarks on odd headers; what matters is checked below
        image = _open(path, data)
        stored = _pixels(path, data, image)  # before the header's facts: in a PNG they may follow the pixels
        exif = image.getexif()
        rgb = _upright(stored, exif, image.format)
    _check_colour(path, rgb)
    _check_camera(path, rgb, exif)
    when, source = _when(path, exif, taken)
    return Photo(
        path=path,
        rgb_coded=rgb,
        taken=when,
        taken_from=source,
        focal_px=_focal_px(exif, (rgb.shape[1], rgb.shape[0])),
        camera=_camera(exif),
        digest=hashlib.sha256(data).hexdigest(),
        shot_px=_shot_px(exif),
        halved_colour=_halves_colour(image),
    )


def spread(paths: Iterable[Path | str]) -> tuple[Path, ...]:
    """The photos that are meant: a folder stands for the pictures that lie in it, by name.

    What phones and computers put beside pictures (clips, edits, thumbnails, hidden files) is passed over; a
    file that is named is kept, whatever it is. Raises PhotoError for a folder without pictures.
    """
    return tuple(photo for path in paths for photo in _meant(Path(path)))


def _meant(path: Path) -> tuple[Path, ...]:
    if not path.is_dir():
        return (path,)
    inside = sorted(entry for entry in path.iterdir() if not entry.name.startswith("."))
    if found := tuple(entry for entry in inside if entry.suffix.lower() in ENDINGS and entry.is_file()):
        return found
    folders = some([entry.name for entry in inside if entry.is_dir()])
    raise PhotoError(
        f"is a folder without pictures ({KINDS})"
        + (f"; name the folder that has them: {folders}" if folders else ""),
        photo=path,
    )


def parse_taken_from_name(name: str) -> datetime | None:
    """The date in a file's name as phones and messengers write it; noon when only the day is there.

    >>> parse_taken_from_name("2026-03-14T09-12-40-3fa2c1.jpg")
    datetime.datetime(2026, 3, 14, 9, 12, 40)
    >>> parse_taken_from_name("PXL_20260314_091240123.jpg")
    datetime.datetime(2026, 3, 14, 9, 12, 40)
    >>> parse_taken_from_name("IMG-20260314-WA0007.jpg")
    datetime.datetime(2026, 3, 14, 12, 0)
    >>> parse_taken_from_name("2026-05-06 2026-05-13 both.jpg")
    datetime.datetime(2026, 5, 6, 12, 0)
    >>> parse_taken_from_name("back lawn 20261399.jpg") is None
    True
    """
    for found in _NAME_DATE.finditer(name):
        year, _, month, day, hour, _, minute, second = found.groups()
        clock = (12, 0, 0) if hour is None else (int(hour), int(minute), int(second or 0))
        try:
            return datetime(int(year), int(month), int(day), *clock)
        except ValueError:  # eight digits that are no date
            continue
    return None


def focal_from_35mm(focal_35mm: float, size_px: tuple[int, int]) -> float:
    """Focal length in pixels from its 35 mm equivalent, which is defined along the picture's diagonal.

    >>> round(focal_from_35mm(26, (4000, 3000)), 1)
    3004.6
    """
    return focal_35mm / FULL_FRAME_DIAGONAL_MM * math.hypot(*size_px)


def same_shape(one_px: tuple[int, int], other_px: tuple[int, int]) -> bool:
    """Whether pictures of these sizes are equally long for their width, to 2 %, however they are turned.

    >>> same_shape((4032, 3024), (1512, 2016)), same_shape((4032, 3024), (3024, 3024))
    (True, False)
    """
    return abs(max(one_px) / min(one_px) / (max(other_px) / min(other_px)) - 1) <= 0.02


def of_a_camera(size_px: tuple[int, int]) -> bool:
    """Whether cameras write photos of such a shape.

    >>> of_a_camera((4032, 3024)), of_a_camera((1960, 4032)), of_a_camera((4032, 2600))
    (True, True, False)
    """
    shape = max(size_px) / min(size_px)
    return any(abs(shape / one - 1) <= OTHER_SHAPE for one in CAMERA_SHAPES)


def _bytes(path: Path) -> bytes:
    try:
        data = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        raise PhotoMissingError(f"no photo at {path}: check the name and the folder") from None
    except IsADirectoryError:
        raise PhotoError(
            "is a folder: name the photos in it, one by one or with a wildcard", photo=path
        ) from None
    except OSError as error:
        raise PhotoError(f"can't be read ({error.strerror}): check who may read it", photo=path) from error
    if not data:
        raise PhotoError("is empty (0 bytes): copy it from the phone again", photo=path)
    return data


def _open(path: Path, data: bytes) -> Image:
    """The picture's header by Pillow, pixels not yet decoded."""
    from PIL import Image

    heic = data[4:8] == b"ftyp" and data[8:12] != b"avif"
    if heic:
        import pi_heif

        pi_heif.register_heif_opener()
    try:
        image = Image.open(io.BytesIO(data))
    except Image.DecompressionBombError as error:
        raise PhotoError(
            f"has more than the {MOST_MEGAPIXELS} megapixels that can be read", photo=path
        ) from error
    except Exception as error:
        if heic:
            raise PhotoError(
                "is damaged, cut short, or HEIC of a kind that can't be read: copy it from the phone "
                "again, or export it there as JPEG in its full size, date kept",
                photo=path,
            ) from error
        raise PhotoError(f"holds no picture that can be read: wanted {KINDS}", photo=path) from error
    width, height = image.size
    if min(width, height) < SMALLEST_SIDE_PX:
        raise PhotoError(
            f"is too small to measure, {width} x {height} pixels: "
            f"the short side needs at least {SMALLEST_SIDE_PX}; send the original, not a thumbnail",
            photo=path,
        )
    if width * height > MOST_MEGAPIXELS * 1_000_000:
        raise PhotoError(f"has more than the {MOST_MEGAPIXELS} megapixels that can be read", photo=path)
    return image


def _pixels(path: Path, data: bytes, image: Image) -> Bytes:
    """Decoded to sRGB, as stored (not yet upright), (H, W, 3)."""
    profile = image.info.get("icc_profile")
    try:
        if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
            import simplejpeg

            rgb = simplejpeg.decode_jpeg(
                data, colorspace="RGB", strict=True
            )  # raises when cut short; OpenCV fills up
        else:
            rgb = np.asarray(image.convert("RGB"))
    except Exception as error:
        raise PhotoError("is damaged or was cut short: copy it from the phone again", photo=path) from error
    return _to_srgb(rgb, profile) if profile else rgb


def _to_srgb(rgb: Bytes, profile: bytes) -> Bytes:
    """Convert from the picture's own ICC profile; one that can't be read is taken to be sRGB."""
    from PIL import Image, ImageCms

    try:
        own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if "srgb" in ImageCms.getProfileDescription(own).lower():
            return rgb
        picture = Image.fromarray(rgb)
        ImageCms.profileToProfile(picture, own, ImageCms.createProfile("sRGB"), inPlace=True)
    except (ImageCms.PyCMSError, OSError):
        return rgb
    return np.asarray(picture)


def _halves_colour(image: Image) -> bool:
    """Whether the file holds colour more coarsely than lightness (ITU-T T.81, A.1.1: sampling factors).

    Of WebP, HEIC and AVIF it is taken for granted; files without loss are PNG, TIFF and the like.
    """
    if image.format in ("JPEG", "MPO"):
        factors = [layer[1:3] for layer in getattr(image, "layer", ())]
        return len(factors) == 3 and factors[0] != factors[1]
    return image.format in ("WEBP", "HEIF", "HEIC", "AVIF")


def _upright(rgb: Bytes, exif: Exif, kind: str | None) -> Bytes:
    """Turn by EXIF orientation. HEIC comes upright from its decoder, which resets the tag."""
    orientation = exif.get(_ORIENTATION, 1)
    if kind in ("HEIF", "HEIC") or orientation not in range(2, 9):
        return np.ascontiguousarray(rgb)
    if orientation in (5, 6, 7, 8):
        rgb = np.ascontiguousarray(rgb.transpose(1, 0, 2))
    flips = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}  # OpenCV's codes: 1 left-right, 0 up-down, -1 both
    if orientation in flips:
        return np.asarray(cv2.flip(rgb, flips[orientation]), np.uint8)
    return np.ascontiguousarray(rgb)


def _check_colour(path: Path, rgb: Bytes) -> None:
    """Refuse R = G = B everywhere. Snow or a grey day still has a little colour in some pixels."""
    for step in (16, 1):  # a coarse look settles nearly every picture
        part = rgb[::step, ::step]
        if (part[..., 0] != part[..., 1]).any() or (part[..., 1] != part[..., 2]).any():
            return
    raise PhotoError(
        "has no colour, only grey: green can't be told from straw or soil; take it in colour", photo=path
    )


def _check_camera(path: Path, rgb: Bytes, exif: Exif) -> None:
    """Refuse the picture of a screen, and a photo in a frame."""
    header = _camera(exif) is not None
    barred = screens.barred(rgb)
    if barred and header:
        raise PhotoError(
            "has a bar or a frame of one colour around the photo, so its middle is not the lens' and "
            "places come out wrong: crop it to the photo, and switch frames and watermarks off in the camera",
            photo=path,
        )
    comment = exif.get_ifd(_EXIF_PART).get(_COMMENT, b"")
    said = comment.replace(b"\0", b"").decode("latin-1") if isinstance(comment, bytes) else str(comment)
    if barred or (not header and screens.named(path.name, said)):
        why = "it has bars of one colour" if barred else "it says so itself"
        raise PhotoError(
            f"is the picture of a screen, not a camera's ({why}): its date, lens and colours are the "
            "screen's. Send or save the photo itself from the phone's gallery, in full size; if it is gone, "
            "crop this one to the photo, rename it, and give the day on which it was taken",
            photo=path,
        )


def _when(
    path: Path, exif: Exif, given: datetime | None
) -> tuple[datetime | None, Literal["exif", "name", "given"] | None]:
    part = exif.get_ifd(_EXIF_PART)
    for time_tag, offset_tag in _TIMES:
        when = _exif_time(part.get(time_tag), part.get(offset_tag))
        if when is not None:
            return when, "exif"
    named = parse_taken_from_name(path.name)
    if named is not None:
        return named, "name"
    return given, None if given is None else "given"


def _exif_time(text: object, offset: object) -> datetime | None:
    """``2026:03:14 09:12:40`` and ``+01:00``; an unset camera clock writes zeros or blanks."""
    try:
        when = datetime.strptime(str(text).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    found = re.fullmatch(r"([+-])(\d\d):(\d\d)", str(offset).strip("\0 "))
    if found is None:
        return when
    shift = timedelta(hours=int(found[2]), minutes=int(found[3]))
    if shift >= timedelta(hours=24):
        return when
    return when.replace(tzinfo=timezone(-shift if found[1] == "-" else shift))


def _shot_px(exif: Exif) -> tuple[int, int] | None:
    """The size that a photo was taken at, the longer side first; None where the header doesn't say."""
    part = exif.get_ifd(_EXIF_PART)
    try:
        sides = sorted((int(part.get(_WIDTH, 0)), int(part.get(_HEIGHT, 0))))
    except (TypeError, ValueError):
        return None
    return (sides[1], sides[0]) if sides[0] > 0 else None


def _focal_px(exif: Exif, size_px: tuple[int, int]) -> float | None:
    """None when the header has none, or the picture was cropped since (its shape is not the header's, or no
    camera's) or in the phone (digital zoom: some count it into the focal length, others don't).
    """
    part = exif.get_ifd(_EXIF_PART)
    try:
        focal = float(part.get(_FOCAL_35MM, 0))
        zoomed = float(part.get(_ZOOMED, 0)) > MOST_ZOOM
    except (TypeError, ValueError):
        return None
    cropped = not of_a_camera(size_px) or not same_shape(_shot_px(exif) or size_px, size_px)
    return None if zoomed or cropped or not focal > 0 else focal_from_35mm(focal, size_px)


def _camera(exif: Exif) -> str | None:
    make, model = (str(exif.get(tag, "")).strip("\0 ") for tag in (_MAKE, _MODEL))
    name = model if model.lower().startswith(make.lower()) else f"{make} {model}".strip()
    return name or None
