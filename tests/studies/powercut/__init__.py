"""The power fails between two synchronizations of a run file: is a sweep lost that was done?"""
