"""What somebody should hear about, and how it reaches them. This is no alarm system, and every notice says so.

    situation.look(store, config, now)  →  rules.standing(situation, limits)  →  rounds: each channel, each notice once

`rules` are pure functions over values; channels know nothing of rules.
"""
