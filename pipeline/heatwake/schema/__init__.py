"""The data model: names, dimensions and units (:mod:`.variables`), session and workflow files."""
