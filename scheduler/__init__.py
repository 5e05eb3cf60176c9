"""Deciding: from records to a program, to an optimum with a certificate, to a plan and its report."""
