"""The live daemon: what runs in which thread, who watches whom, and when to give up."""
