"""Taking in an inbox: files are found, read and told apart, and every row's fate is kept."""
