"""Electricity supply contracts: components that bill a load profile and tell a program what they charge."""
