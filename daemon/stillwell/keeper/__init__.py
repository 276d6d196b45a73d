"""What the keeper's book says now: the salt balance, the cycle, what is due. Over the journal and
beside the readings; pure but for `gathered`, which reads the store.
"""
