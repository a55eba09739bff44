"""The workbench: a local web page to hear a rule the moment it is written (`retune[web]`)."""
