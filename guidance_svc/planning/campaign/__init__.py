"""Campaigns: the depot, its tankers, their days and their propellant, up to the departure."""
