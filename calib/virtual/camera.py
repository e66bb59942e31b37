"""A pinhole camera with one distortion term, above a table.

World: millimetres, z up, the table is z = 0.  Camera frame: x right, y down in the
picture, z away from the camera.  Pixels: centre of the top-left pixel = (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Map = NDArray[np.float64] | NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """Camera: ``Xc = R (X - C)``, ``x = Xc / Zc``, ``u = f x (1 + k1 r^2) + c``."""

    f_px: float
    k1: float
    cx_px: float
    cy_px: float
    rotation: Points
    centre_mm: Points

    def project(self, points_mm: Points) -> Points:
        """Project (n, 3) world points to (n, 2) pixels."""
        seen = (points_mm - self.centre_mm) @ self.rotation.T
        flat = seen[:, :2] / seen[:, 2:]
        bent = flat * (1 + self.k1 * (flat**2).sum(axis=1, keepdims=True))
        return np.asarray(self.f_px * bent + [self.cx_px, self.cy_px])

    def on_plane(self, u_px: Map, v_px: Map, z_mm: float) -> tuple[Map, Map]:
        """World x and y of the points of the plane ``z = z_mm`` seen at some pixels.

        ``u_px`` and ``v_px`` are broadcast against each other; float32 stays float32.
        """
        x = (u_px - self.cx_px) / self.f_px
        y = (v_px - self.cy_px) / self.f_px
        bent = x * x + y * y
        stretch = 1.0 + 0.0 * bent
        for _ in range(3):  # r = bent r / (1 + k1 r^2), a fixed point
            stretch = 1 / (1 + self.k1 * bent * stretch * stretch)
        x, y = x * stretch, y * stretch
        right, down, ahead = self.rotation.tolist()
        ray = [right[k] * x + down[k] * y + ahead[k] for k in range(3)]
        x0, y0, z0 = self.centre_mm.tolist()
        far = (z_mm - z0) / ray[2]
        return x0 + far * ray[0], y0 + far * ray[1]

    def px_per_mm(self, point_mm: Points) -> Points:
        """(2,) scale along world x and y at a world point."""
        step = 0.01 * np.eye(3)[:2]
        ends = self.project(np.vstack((point_mm + step, point_mm - step)))
        return np.asarray(np.linalg.norm(ends[:2] - ends[2:], axis=1) / 0.02)

    def truth(self) -> dict[str, Any]:
        """Everything about the camera, for the picture's truth file."""
        return {
            "f_px": self.f_px,
            "k1": self.k1,
            "cx_px": self.cx_px,
            "cy_px": self.cy_px,
            "R": self.rotation.tolist(),
            "C_mm": self.centre_mm.tolist(),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where something lies on the table, turned counter-clockwise seen from above."""

    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_deg: float = 0.0

    def rotation(self) -> Points:
        """(2, 2) rotation in the table's plane."""
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        return np.array([[c, -s], [s, c]])

    def to_world(self, points_mm: Points) -> Points:
        """(n, 2) points of the thing to the table's frame."""
        return np.asarray(points_mm @ self.rotation().T + [self.x_mm, self.y_mm])


def looking_down(
    *,
    f_px: float,
    k1: float,
    centre_px: tuple[float, float],
    aim_mm: tuple[float, float],
    distance_mm: float,
    tilt_deg: float,
    tilt_towards_deg: float,
    roll_deg: float,
) -> Camera:
    """Camera above a point of the table, tilted and rolled.

    ``tilt_towards_deg`` says in which direction of the table the camera stands away
    from the vertical.
    """
    tilt, turn, roll = np.radians([tilt_deg, tilt_towards_deg, roll_deg])
    back = np.array(
        [np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)]
    )
    right = np.array([np.cos(roll), np.sin(roll), 0.0])
    right -= back * (right @ back)
    right /= np.linalg.norm(right)
    down = np.cross(-back, right)
    aim = np.array([*aim_mm, 0.0])
    return Camera(
        f_px=f_px,
        k1=k1,
        cx_px=centre_px[0],
        cy_px=centre_px[1],
        rotation=np.array([right, down, -back]),
        centre_mm=aim + distance_mm * back,
    )


def part_to_world(place: Place, thickness_mm: float) -> Points:
    """(4, 4) matrix from the print frame to the world, plate face up on the table."""
    out = np.eye(4)
    out[:2, :2] = place.rotation() @ np.diag([1.0, -1.0])
    out[2, 2] = -1.0
    out[:3, 3] = [place.x_mm, place.y_mm, thickness_mm]
    return out
