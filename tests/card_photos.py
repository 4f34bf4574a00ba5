"""Makes the demo photos of the empty page card for `pickglass lens`: drawn by a camera model, not photographed.

python tests/card_photos.py        # writes sample_images/card_photos/
"""

from dataclasses import replace
from pathlib import Path

from card_scene import Shot, card_raster, photograph
from PIL import Image

FOLDER = Path(__file__).resolve().parents[1] / "sample_images" / "card_photos"
SHOT = Shot(width_px=1600, height_px=1200, k1=-0.03)
# straight from above, then tilted to three sides
SIDES = ((2.0, 0.0), (21.0, 10.0), (20.0, 130.0), (22.0, 250.0))


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for number, (tilt, towards) in enumerate(SIDES, 1):
        shot = replace(SHOT, tilt_deg=tilt, tilt_towards_deg=towards, distance_mm=450.0)
        image = Image.fromarray(photograph(card_raster("A4-1"), shot)[..., ::-1])
        tags = image.getexif()
        tags[0x010F], tags[0x0110] = "Invented", "Phone 1"  # Make, Model (EXIF 2.32, 4.6.4)
        inner = tags.get_ifd(0x8769)
        inner[0x920A] = 5.4  # FocalLength
        inner[0xA405] = 26  # FocalLengthIn35mmFilm
        image.save(FOLDER / f"card_{number}.jpg", quality=82, exif=tags)


if __name__ == "__main__":
    main()
