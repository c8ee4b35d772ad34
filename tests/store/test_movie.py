import av
import numpy as np

from heatwake.store.movie import write_movie


def test_a_movie_plays_back_what_was_written(tmp_path):
    frames = [np.full((48, 64, 3), level, np.uint8) for level in (40, 120, 200)]
    write_movie(tmp_path / "a.mp4", iter(frames), rate=10)
    with av.open(str(tmp_path / "a.mp4")) as container:
        stream = container.streams.video[0]
        back = [frame.to_ndarray(format="rgb24") for frame in container.decode(stream)]
        assert (stream.codec_context.name, stream.average_rate) == ("h264", 10)
    # limited-range colours in eight bits: four levels of 255
    levels = [int(np.median(frame)) for frame in back]
    assert np.abs(np.array(levels) - (40, 120, 200)).max() <= 4
