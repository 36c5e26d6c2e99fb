"""What a 3D picture of a serve is made of, as plain data. Knows records, draws nothing."""

from recon.scene.parts import LAYERS, Dots, Lines, Part, Patches, Words
from recon.scene.pictures import PictureStrokes, picture_index, skeleton_in_picture
from recon.scene.whole import key_instant_s, moving_parts, still_parts

__all__ = [
    "LAYERS",
    "Dots",
    "Lines",
    "Part",
    "Patches",
    "PictureStrokes",
    "Words",
    "key_instant_s",
    "moving_parts",
    "picture_index",
    "skeleton_in_picture",
    "still_parts",
]
