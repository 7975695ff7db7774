"""The sampled position loop: exact discrete model, margins, tuning."""
