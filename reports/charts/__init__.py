"""Charts: each a function of a frame that gives an Altair chart, one to a file; `drawing` turns them into SVG."""
