"""What change matters: anchor checks, every MCID estimator, the bias of each, and what stands beside them."""
