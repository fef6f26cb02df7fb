"""The live board: reads the recording as it grows, and shows every vehicle on a page or in the terminal."""
