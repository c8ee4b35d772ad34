"""A fan-cooled board with a film lid whose truth is known: for planning tests and for checking the pipeline."""
