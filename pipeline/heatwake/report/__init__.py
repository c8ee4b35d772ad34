"""What a person looks at: figures, page and film. Returns bytes and text, opens no file."""
