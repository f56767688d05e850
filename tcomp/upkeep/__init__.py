"""After the build: a verification run is checked, the base is trimmed, logged readings are corrected.

`logs/stream` reads a log in chunks (pyarrow where all rows of a chunk are alike, else the reader that finds the field that
is not), `upkeep/corrector` carries the lag's state from chunk to chunk, and gives offset and uncertainty, and
`corrected_text` joins the log's own lines with the new fields. The next chunk's temperatures are handed along, as a start of
the filter is judged by the ramp behind it: chunks make no difference to the bytes.

A curve knows when its base was as stated (`base_time_s`, `trimmed`). `budget/history` is a file that is only added to; each
line has its CRC-32 and is on the disk before the command returns. `budget/drift` learns from it, `retrim` weighs a point, `due`
gives the date. The history is written last: what precedes it gives the same files again if the same point is given again
after a crash. Bases are absolute, at the reference temperature, so curves fitted again to new runs go on in the same
history. A table moves by a whole number of its units, about the middle of its error, so that nothing adds up over many trims;
entries that would leave their bits are designed anew.
"""
