"""Kernels: numpy in, numbers out; they know nothing of clinics."""
