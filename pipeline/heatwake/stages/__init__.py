"""The stages: dataset in, dataset out; in run order in :mod:`.table`."""
