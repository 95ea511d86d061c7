"""Draw a plain floor plan of an invented building: outer walls, a corridor, rooms with their names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO

from PIL import Image, ImageDraw, ImageFont

WIDTH_PX, HEIGHT_PX = 1600, 960
MARGIN_PX, CORRIDOR_PX, DOOR_PX = 60, 110, 46
WALL, INNER, TEXT, GROUND = "#223344", "#667788", "#334455", "#ffffff"


@dataclass(frozen=True, slots=True)
class Room:
    """A room on the drawing, in pixels."""

    name: str
    left: int
    top: int
    right: int
    bottom: int

    def spot(self, number: int, of: int) -> tuple[int, int]:
        """Place for one of several things in the room, in thousandths of width and height."""
        x = self.left + (self.right - self.left) * (number + 1) / (of + 1)
        y = self.top + (self.bottom - self.top) * (0.66 if number % 2 else 0.5)
        return round(1000 * x / WIDTH_PX), round(1000 * y / HEIGHT_PX)


def lay_out(names: Sequence[str]) -> list[Room]:
    """Rooms in two rows along a corridor, the first of them beside the entrance on the left."""
    half = (len(names) + 1) // 2
    middle = HEIGHT_PX // 2
    rooms = []
    for row, (top, bottom) in (
        (names[:half], (MARGIN_PX, middle - CORRIDOR_PX // 2)),
        (names[half:], (middle + CORRIDOR_PX // 2, HEIGHT_PX - MARGIN_PX)),
    ):
        wide = (WIDTH_PX - 2 * MARGIN_PX) / max(len(row), 1)
        for number, name in enumerate(row):
            left, right = (round(MARGIN_PX + edge * wide) for edge in (number, number + 1))
            rooms.append(Room(name, left, top, right, bottom))
    return rooms


def draw_floor(title: str, rooms: Sequence[Room]) -> bytes:
    """The drawing as a PNG."""
    picture = Image.new("RGB", (WIDTH_PX, HEIGHT_PX), GROUND)
    pen = ImageDraw.Draw(picture)
    font, small = ImageFont.load_default(size=26), ImageFont.load_default(size=20)
    middle = HEIGHT_PX // 2
    for room in rooms:
        pen.rectangle((room.left, room.top, room.right, room.bottom), outline=INNER, width=4)
        wall = room.bottom if room.bottom < middle else room.top
        door = (room.left + room.right) // 2
        pen.line((door - DOOR_PX // 2, wall, door + DOOR_PX // 2, wall), fill=GROUND, width=6)
        for number, line in enumerate(_lines(room.name, small, room.right - room.left - 16)):
            pen.text((room.left + 10, room.top + 8 + 24 * number), line, fill=TEXT, font=small)
    pen.rectangle((MARGIN_PX, MARGIN_PX, WIDTH_PX - MARGIN_PX, HEIGHT_PX - MARGIN_PX), outline=WALL, width=10)
    pen.line((MARGIN_PX, middle - DOOR_PX, MARGIN_PX, middle + DOOR_PX), fill=GROUND, width=12)
    pen.text((MARGIN_PX + 24, middle - 16), "entrance", fill=TEXT, font=small)
    pen.text((MARGIN_PX, 14), title, fill=WALL, font=font)
    out = BytesIO()
    picture.save(out, "PNG")
    return out.getvalue()


def _lines(text: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, wide_px: int) -> list[str]:
    """Break a name into lines that fit into the room."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) <= wide_px or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
