"""One module for each page: its context and how it is built; its template has the same name."""
