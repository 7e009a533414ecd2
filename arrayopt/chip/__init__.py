"""From a chosen design to masks: process, layout, rules, reading back."""
