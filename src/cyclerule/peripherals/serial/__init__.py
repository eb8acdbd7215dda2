"""Serial interfaces: USART, SPI, TWI and USI."""
