"""Contact sheets and score plots: a take, or a night, judged at a glance.

`strip` chooses frames, `looks` fetches them and stores them small, `canvas` draws, `takesheet`,
`nightsheet` and `plot` say what goes where, and `make` puts a take's files beside its log.
"""
