import av
import cv2
import numpy as np

from heatwake.store import movie
from heatwake.store.movie import write_movie


def test_a_movie_plays_back_what_was_written(tmp_path):
    frames = [np.full((48, 64, 3), level, np.uint8) for level in (40, 120, 200)]
    write_movie(tmp_path / "a.mp4", iter(frames), rate=10, count=3)
    with av.open(str(tmp_path / "a.mp4")) as container:
        stream = container.streams.video[0]
        back = [frame.to_ndarray(format="rgb24") for frame in container.decode(stream)]
        assert (stream.codec_context.name, stream.average_rate) == ("h264", 10)
    # limited-range colours in eight bits: four levels of 255
    levels = [int(np.median(frame)) for frame in back]
    assert np.abs(np.array(levels) - (40, 120, 200)).max() <= 4


def test_a_long_film_of_noise_stays_below_the_limit(tmp_path, monkeypatch):
    monkeypatch.setattr(movie, "LARGEST", 60_000)
    noise = np.random.default_rng(1)
    frames = (noise.integers(0, 255, (96, 128, 3), dtype=np.uint8) for _ in range(60))
    write_movie(tmp_path / "a.mp4", frames, rate=10, count=60)
    # Noise cannot be compressed: 60 frames of it are 3 MB without the limit's rate.
    assert (tmp_path / "a.mp4").stat().st_size < 60_000


def test_without_an_encoder_there_is_a_sheet_of_stills(tmp_path):
    frames = [np.full((20, 30, 3), level, np.uint8) for level in range(0, 240, 10)]
    write_movie(tmp_path / "a.png", iter(frames), rate=10, count=len(frames))
    sheet = cv2.imread(str(tmp_path / "a.png"))
    assert sheet.shape == (4 * 20, 2 * 30, 3)
    assert (sheet[0, 0, 0], sheet[-1, -1, 0]) == (0, 230)


def test_the_name_tells_what_can_be_made(monkeypatch):
    assert movie.movie_name("airflow") == "airflow.mp4"
    monkeypatch.setattr(movie, "has_encoder", lambda: False)
    assert movie.movie_name("airflow") == "airflow.png"
