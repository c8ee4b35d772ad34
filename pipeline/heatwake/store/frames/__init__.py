"""Frame readers: one small file a format, one literal table."""

from heatwake.store.frames.facts import Facts, recording_facts
from heatwake.store.frames.open import open_recording
from heatwake.store.frames.recording import Recording

__all__ = ["Facts", "Recording", "open_recording", "recording_facts"]
