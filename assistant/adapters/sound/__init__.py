"""Microphone, loudspeaker, voice and sound files."""
