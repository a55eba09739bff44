"""Room: repitch."""
