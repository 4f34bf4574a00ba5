"""Makes the demo photos of the empty page card for `pickglass lens`: drawn by a camera model, not photographed.

python tests/card_photos.py        # writes sample_images/card_photos/
"""

from dataclasses import replace
from pathlib import Path

from card_scene import Shot, write_photo

FOLDER = Path(__file__).resolve().parents[1] / "sample_images" / "card_photos"
SHOT = Shot(width_px=1600, height_px=1200, k1=-0.03)
# straight from above, then tilted to three sides
SIDES = ((2.0, 0.0), (21.0, 10.0), (20.0, 130.0), (22.0, 250.0))


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for number, (tilt, towards) in enumerate(SIDES, 1):
        shot = replace(SHOT, tilt_deg=tilt, tilt_towards_deg=towards, distance_mm=450.0)
        write_photo(FOLDER / f"card_{number}.jpg", shot, quality=82)


if __name__ == "__main__":
    main()
