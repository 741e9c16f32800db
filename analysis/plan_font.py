"""Letters as plain strokes, so that a plan needs no font wherever it is opened."""
from __future__ import annotations

__all__ = ["text_strokes", "text_width"]

# Strokes on a grid 4 wide and 6 high, y down: a point is two digits "xy", a space ends a stroke.
GLYPHS = {
    "A": "062046 1434", "B": "0006 003041423303 3344453606", "C": "4130100105163645",
    "D": "0006 002042442606", "E": "40000646 0333", "F": "400006 0333", "G": "41301001051636454323",
    "H": "0006 4046 0343", "I": "1030 2026 1636", "J": "4045361605", "K": "0006 4003 0346",
    "L": "000646", "M": "0600234046", "N": "06004640", "O": "103041453616050110", "P": "06003041423303",
    "Q": "103041453616050110 2446", "R": "06003041423303 2346", "S": "413010010213334445361605",
    "T": "0040 2026", "U": "000516364540", "V": "002640", "W": "0016233640", "X": "0046 4006",
    "Y": "002340 2326", "Z": "00400646", "0": "103041453616050110 4105", "1": "112026 1636",
    "2": "01103041420646", "3": "01103041423323 334445361605", "4": "36300444", "5": "4000023243453606",
    "6": "413010010516364543321203", "7": "004016", "8": "130201103041423313 1304051636454433",
    "9": "051636454130100102133342", ".": "2526", ",": "2516", "-": "1333", "/": "0640",
    "%": "0640 0010110100 3545463635", ":": "2122 2425", "+": "1333 2224", "(": "30121436",
    ")": "10323416", "=": "1232 1434", "_": "0646", "?": "01103041422324 2526", " ": "",
}
GRID_HEIGHT = 6.0
ADVANCE = 5.6              # grid units from letter to letter


def text_strokes(words: str, x_mm: float, y_mm: float, height_mm: float,
                 *, turned: bool = False) -> list[tuple[tuple[float, float], ...]]:
    """Polylines of a line of capitals.

    Parameters
    ----------
    words : str
        Small letters become capitals; a sign without a glyph becomes a question mark.
    x_mm, y_mm : float
        Top left corner of the first letter, y down.
    height_mm : float
        Of a capital.
    turned : bool, default False
        Read from bottom to top; (x_mm, y_mm) is then the line's lower left corner.
    """
    unit = height_mm / GRID_HEIGHT
    lines = []
    for place, letter in enumerate(words.upper()):
        for stroke in GLYPHS.get(letter, GLYPHS["?"]).split():
            points = [(place * ADVANCE + int(x), int(y))
                      for x, y in zip(stroke[::2], stroke[1::2], strict=True)]
            if turned:
                lines.append(tuple((x_mm + v * unit, y_mm - u * unit) for u, v in points))
            else:
                lines.append(tuple((x_mm + u * unit, y_mm + v * unit) for u, v in points))
    return lines


def text_width(words: str, height_mm: float) -> float:
    """Width of a line, mm."""
    return max(len(words) * ADVANCE - (ADVANCE - 4.0), 0.0) * height_mm / GRID_HEIGHT
