"""The inverse problem: the phase that makes the wanted light."""
