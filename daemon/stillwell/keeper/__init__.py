"""What follows from the keeper's book now: the salt balance, the cycle, what is due. Works on the
journal and the readings; pure except `gathered`, which reads the store.
"""
