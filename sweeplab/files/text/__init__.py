"""Text files: decoding, numbers, comments, limits, and the protocol that every reader keeps."""
