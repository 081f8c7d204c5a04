// A UART transmitter, as a model for simulation: idle high, one start bit, eight data bits with bit 0 first,
// one stop bit. A bit lasts DIVISOR periods of a clock of CLOCK_HZ, as in a transmitter that divides its clock
// by a whole number.
//
// Copyright (c) 2026 The linkbudget developers. MIT License, see LICENSE at the root of the repository.
//
// Raise `send` with `data` valid while `busy` is low; the start bit begins at once, and `busy` falls with the
// end of the stop bit. Edges are computed from the start of the character and rounded once to the tick, so that
// rounding does not add up over the bits.

`timescale 100ns / 100ns

module uart_tx #(
    parameter integer CLOCK_HZ = 48_000_000,
    parameter integer DIVISOR = 417
) (
    input wire send,
    input wire [7:0] data,
    output reg tx,
    output reg busy
);
    localparam [63:0] TICKS_PER_SECOND = 10_000_000;

    reg [9:0] shift;
    reg [63:0] start;
    integer sent;

    // Ticks from the start of a character to the end of its first `bits` bits, rounded half up.
    function [63:0] ticks_of(input integer bits);
        ticks_of = (2 * TICKS_PER_SECOND * DIVISOR * bits + CLOCK_HZ) / (64'd2 * CLOCK_HZ);
    endfunction

    initial begin
        tx = 1'b1;
        busy = 1'b0;
    end

    always @(posedge send) begin
        busy = 1'b1;
        start = $time;
        shift = {1'b1, data, 1'b0};
        for (sent = 0; sent < 10; sent = sent + 1) begin
            tx = shift[0];
            shift = shift >> 1;
            #(start + ticks_of(sent + 1) - $time);
        end
        busy = 1'b0;
    end
endmodule
