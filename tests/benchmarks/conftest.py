"""Benchmarks are scripts: nothing here is collected."""

collect_ignore_glob = ["*.py"]
