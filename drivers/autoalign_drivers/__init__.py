"""Drivers written against generic command sets; they import only autoalign's lower floors."""
