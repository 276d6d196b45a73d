"""Alarms: the rules that judge readings, the state machine that every alarm goes through, and the
notices that follow from it.

Everything here is pure: values in, values out, the time as an argument. A rule in `rules`
(`limit`, `rate`, `missing`, `band`, `discrepancy`) says whether a condition stands.
`annunciate.state` says what that does to an alarm. `annunciate.suppression` and
`annunciate.shelving` say when an alarm is kept quiet. `notices` says who is called, and `watch`
puts them together.
"""
