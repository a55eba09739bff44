"""Take-away files: one module a format, each read back in the tests by a foreign reader."""
