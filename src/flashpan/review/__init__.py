"""A local page on a night: look through its events, judge them, correct them, cut again.

`guard` lets in only who was given the address, `app` answers, `nightview` says what there is,
`projector` shows frames, `workshop` does what takes longer, `recut` cuts a range again and
`rerun` searches a take again.  What is shown in the browser lies in `assets` as it is.
"""
