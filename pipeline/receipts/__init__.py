"""Receipts: what stands behind a published figure, record by record, from which line of which file.

`figures` names them, `published` makes their rows; `counted` lists what they count by the rows the measures count
(`sql/4_receipts`), `evidence` what each of these goes by, `left_out` what does not count and why, `unkept` lines that
never became a row.
"""
