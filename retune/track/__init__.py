"""Room: track."""
