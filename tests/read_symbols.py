"""Reads every symbol in pictures: one line of JSON each, with what it holds, how it is marked and how wide it is."""

import json
import sys

import zxingcpp
from PIL import Image

for name in sys.argv[1:]:
    picture = Image.open(name).convert("L")
    found = []
    for symbol in zxingcpp.read_barcodes(picture):
        box = symbol.position
        left = min(box.top_left.x, box.bottom_left.x)
        right = max(box.top_right.x, box.bottom_right.x)
        found.append(
            {
                "text": symbol.text,
                "mark": symbol.symbology_identifier,
                "top": box.top_left.y,
                "width": right - left,
            }
        )
    found.sort(key=lambda row: row["top"])
    print(json.dumps({"file": name, "width": picture.size[0], "height": picture.size[1], "symbols": found}))
