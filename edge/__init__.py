"""What happens beside the pump: capture, outbox, courier, and the words both sides share.

Knows nothing of `pipeline` and needs only the base dependencies.
"""
