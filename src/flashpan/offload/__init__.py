"""Before the offload: what of each take to copy, and copying just that."""
