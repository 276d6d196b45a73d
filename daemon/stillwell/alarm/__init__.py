"""Alarms: rules that judge readings, the state machine that every alarm goes through, and the
words.

Pure throughout: values in, values out, the time as an argument. A rule (`limit`, `rate`, `missing`,
`band`, `discrepancy`) says whether a condition stands; `state` says what that does to an alarm;
`suppression` and `shelving` say when an alarm keeps still; `wording` and `notices` say what people
read; `watch` puts them together.
"""
