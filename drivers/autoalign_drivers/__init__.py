"""Drivers written against generic command sets; they look only at autoalign's lower floors."""
