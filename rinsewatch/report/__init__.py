"""Pages and pictures to keep. Pure text: what is written where is up to the command line."""
