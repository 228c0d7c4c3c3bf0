"""Rendered photographs of one camera, with or without dust that they share."""

import numpy as np
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from moteyard.generators.backgrounds import make
from moteyard.generators.camera import Camera
from moteyard.generators.camera_presets import preset
from moteyard.generators.optics import Optics
from moteyard.generators.orientation import turned_back
from moteyard.generators.shade import shade
from moteyard.generators.shadow import cast

WIDTH, HEIGHT = 720, 480
GROUNDS = ("sky", "snow", "scrub")


def shared_dust(count, rng, sizes=(30, 50)):
    """Return (x, y, diameter in µm) on the sensor, apart from each other and from the border."""
    places = []
    while len(places) < count:
        x, y = rng.uniform(30, WIDTH - 30), rng.uniform(30, HEIGHT - 30)
        if all(np.hypot(x - a, y - b) > 60 for a, b, _ in places):
            places.append((x, y, rng.uniform(*sizes)))
    return places


def expose(ground, grains, rng, f_number=16.0):
    """Return the pixels of one exposure as the sensor lies."""
    light = make(ground, {}).paint((HEIGHT, WIDTH), rng)
    own = [(x, y, p) for x, y, p in shared_dust(2, rng)]  # fell and was blown away again
    for x, y, diameter in [*grains, *own]:
        shade(light, cast(diameter, Optics(f_number=f_number), x=x, y=y))
    camera = Camera(**{**preset("in-camera-jpeg"), "width_px": WIDTH, "height_px": HEIGHT, "jpeg_quality": None})
    return camera.expose(light, rng)


def write_photo(path, pixels, *, f_number=16.0, orientation=1):
    """Write pixels as the sensor lies with a tag that says how the camera was held."""
    exif = Image.Exif()
    exif[271], exif[274] = "maker", orientation
    exif.get_ifd(0x8769)[33437] = IFDRational(round(10 * f_number), 10)
    Image.fromarray(pixels).save(path, "JPEG", quality=92, exif=exif)


def displayed(picture, pixels):
    """Return displayed pixels as the sensor lay."""
    return turned_back(pixels, picture.orientation)


def folder_of_photos(folder, count, grains, rng, orientations=(1,)):
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(count):
        pixels = expose(GROUNDS[number % len(GROUNDS)], grains, rng)
        write_photo(folder / f"{number}.jpg", pixels, orientation=orientations[number % len(orientations)])
    return folder
