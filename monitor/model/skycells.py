"""The sky cut into cells of nearly one size, by the sun's azimuth and elevation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.readings import Values

Cells = npt.NDArray[np.int64]

# Rows of 2.5 degrees of elevation, cut into cells that are 5 degrees wide along the sky, whatever the height: a
# quarter of an hour moves the sun by at most 3.75 degrees there, also where its azimuth races past the zenith.
ROW_DEG = 2.5
ROWS = 36
RASTER_COLUMNS = 72
_COLUMNS: Cells = np.maximum(np.rint(RASTER_COLUMNS * np.cos(np.radians((np.arange(ROWS) + 0.5) * ROW_DEG))), 3).astype(
    np.int64
)
_OFFSETS: Cells = np.concatenate([[0], np.cumsum(_COLUMNS)])
CELLS = int(_OFFSETS[-1])
CELL_ROW: Cells = np.repeat(np.arange(ROWS), _COLUMNS)
CELL_ELEVATION: Values = (CELL_ROW.astype(np.float64) + 0.5) * ROW_DEG
CELL_AZIMUTH: Values = (np.arange(CELLS) - _OFFSETS[CELL_ROW] + 0.5) * 360.0 / _COLUMNS[CELL_ROW]


def cell_of(azimuth_deg: Values, elevation_deg: Values) -> Cells:
    """Cell of each direction; azimuth clockwise from north, any turn of it; below the horizon the lowest row."""
    row = np.clip((elevation_deg / ROW_DEG).astype(np.int64), 0, ROWS - 1)
    columns = _COLUMNS[row]
    column = np.floor(azimuth_deg * columns / 360.0).astype(np.int64) % columns
    return np.asarray(_OFFSETS[row] + column)


def directions(azimuth_deg: Values, elevation_deg: Values) -> Values:
    """Unit vectors (east, north, up) of directions, shape (N, 3)."""
    azimuth, elevation = azimuth_deg * (np.pi / 180.0), elevation_deg * (np.pi / 180.0)
    level = np.cos(elevation)
    return np.array([level * np.sin(azimuth), level * np.cos(azimuth), np.sin(elevation)]).T


# The cells as a plain picture of rows (from the horizon up) by 72 columns of 5 degrees of azimuth (from north); high
# cells stand in several columns.
RASTER_AZIMUTH: Values = (np.arange(RASTER_COLUMNS) + 0.5) * 360.0 / RASTER_COLUMNS
RASTER: Cells = cell_of(
    np.broadcast_to(RASTER_AZIMUTH, (ROWS, RASTER_COLUMNS)),
    np.broadcast_to(((np.arange(ROWS) + 0.5) * ROW_DEG)[:, None], (ROWS, RASTER_COLUMNS)),
)
# Cells left, right, above and below of each, shape (4, CELLS); the lowest and the highest are their own neighbours.
NEIGHBOURS: Cells = np.stack(
    [
        cell_of(CELL_AZIMUTH - 360.0 / _COLUMNS[CELL_ROW], CELL_ELEVATION),
        cell_of(CELL_AZIMUTH + 360.0 / _COLUMNS[CELL_ROW], CELL_ELEVATION),
        cell_of(CELL_AZIMUTH, np.minimum(CELL_ELEVATION + ROW_DEG, 89.0)),
        cell_of(CELL_AZIMUTH, np.maximum(CELL_ELEVATION - ROW_DEG, 1.0)),
    ]
)


def with_beside(cells: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Marked cells and those left, right, above and below of them, shape (CELLS,); round the north as well."""
    picture = cells[RASTER]
    touched = picture | np.roll(picture, 1, axis=1) | np.roll(picture, -1, axis=1)
    touched[:-1] |= picture[1:]
    touched[1:] |= picture[:-1]
    found = np.zeros(CELLS, dtype=bool)
    found[RASTER[touched]] = True
    return found
