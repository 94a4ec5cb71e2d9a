"""The record for other people: a report of a round, a workbook, a package of tables.

`gather` collects what a round is made of, `html` writes it as one page that needs nothing else;
`tables` says which columns there are, `workbook` and `package` write them. Nothing here writes to
the store or reaches out to a network.
"""
