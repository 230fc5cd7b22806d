"""What somebody should hear about, and how it reaches them. This is no alarm system, and every notice says so.

    situation_now(store, config, now)  →  standing(situation, limits)  →  rounds: each channel, each notice once

`rules` are pure functions over values; channels know nothing of rules.
"""
