"""Where files are opened: nothing above or below touches the disk."""
