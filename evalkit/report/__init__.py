"""What is shown: the report's page and pictures, and the words of the terminal's tables."""
