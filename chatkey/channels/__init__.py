"""Where messages come from and go to. So far: the terminal and lines of JSON."""
