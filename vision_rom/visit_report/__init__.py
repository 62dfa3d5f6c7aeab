"""The report of a visit: a page to read and print, a note for the chart, a bundle for another system, a trend picture."""
