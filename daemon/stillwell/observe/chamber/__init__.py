"""The watch over the return chamber: readings and the journal become evidence (`intake`, `diary`),
the level model's answers become verdicts (`facts`, `rules`, `lone`, `pump`), alarms (`alarms`,
`words`) and numbers (`numbers`). `gauge_watch` says when a gauge has been moved.
"""
