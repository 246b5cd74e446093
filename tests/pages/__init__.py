"""Pages as what they are made of: numbers, words, tables and charts, from editions small enough to count by hand."""
