"""Find, score and build the settings of a vibration alert from recordings of the real place."""

__version__ = "0.1.0"
