"""An invented site for trying brinewatt; every name, plant value, price and order in it is made up."""
