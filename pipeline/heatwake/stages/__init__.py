"""The stages, in run order."""
