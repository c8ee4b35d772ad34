"""Videos that tests write: grey without loss, and colour with a scale, letters and a warm scene."""

from pathlib import Path

import av
import cv2
import matplotlib as mpl
import numpy as np

BAR = (168, 10, 176, 110)  # in a picture of 180 x 120
SCENE = (0, 0, 150, 120)


def encode(path: Path, frames, *, codec: str, pixels: str, kind: str = "rgb24", options=None, rate: int = 10) -> None:
    """Write frames with PyAV."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate)
        stream.height, stream.width = frames[0].shape[:2]
        stream.pix_fmt = pixels
        stream.options = options or {}
        for frame in frames:
            for packet in stream.encode(av.VideoFrame.from_ndarray(frame, format=kind)):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def warm_scene(count: int = 10) -> np.ndarray:
    """Shares of the scale (frame, row, column): a board that warms, with sharp and soft parts and some texture."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[: SCENE[3], : SCENE[2]]
    texture = cv2.GaussianBlur(rng.normal(0, 0.15, y.shape), (0, 0), 2.0)
    parts = ((40, 40, 9.0, 0.45), (110, 75, 14.0, 0.6), (125, 25, 5.0, 0.4))
    soft = sum(high * np.exp(-((x - c) ** 2 + (y - r) ** 2) / (2 * size**2)) for c, r, size, high in parts)
    frames = []
    for number in range(count):
        share = 0.12 + 0.15 * x / SCENE[2] + texture + (0.4 + 0.6 * number / count) * soft
        share[85:105, 20:45] += 0.25
        frames.append(np.clip(share, 0.01, 0.99))
    return np.array(frames)


def coloured(shares: np.ndarray, palette: str, *, bar: np.ndarray | None = None, text: str = "82.4 C"):
    """Return pictures (frame, 120, 180, 3) with a colour bar, and which of the scene's pixels are letters."""
    colours = (mpl.colormaps[palette](np.linspace(0, 1, 256))[:, :3] * 255).round().astype(np.uint8)
    letters = np.zeros((120, 180), np.uint8)
    if text:
        cv2.putText(letters, text, (6, 16), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 255, 1)
        cv2.line(letters, (60, 60), (76, 60), 255, 1)
    steps = np.linspace(255, 0, BAR[3] - BAR[1]).round().astype(int) if bar is None else bar
    pictures = np.full((len(shares), 120, 180, 3), 30, np.uint8)
    pictures[:, :, : SCENE[2]] = colours[(shares * 255).round().astype(int)]
    pictures[:, letters > 0] = 255
    pictures[:, BAR[1] : BAR[1] + len(steps), BAR[0] : BAR[2]] = colours[steps][:, None]
    return pictures, letters[:, : SCENE[2]] > 0
