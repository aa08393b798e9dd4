"""The type of every picture; it stands alone, so that the sheet's own picture loads no library of charts."""

# Liberation Sans travels inside vl-convert, so pictures measure text alike on every machine; the others have
# the same widths.
FONT = "Liberation Sans, Arial, Helvetica, sans-serif"
