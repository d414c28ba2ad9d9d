"""Blood, lungs, infants, disturbances, gas delivery, oximeter: arrays in, arrays out."""
