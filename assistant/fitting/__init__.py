"""Numbers of ring fitting; knows no speech, no files, no clock."""
