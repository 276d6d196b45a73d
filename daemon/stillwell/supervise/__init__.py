"""The live daemon: who runs in which thread, who watches whom, and when to give up."""
