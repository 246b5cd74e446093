"""Every component that pages are made of, in cases at the edge of its data: held as text, and shown in one gallery.

A component is a chart, a section or a macro of the templates: `listed` finds them in the code, `cases` gathers what the
modules beside it have of each. `texts` writes what a case shows, `renew` keeps that in `snapshots`, `gallery` draws it.
"""
