// A UART transmitter with faults on order, as a model for simulation; its line is dumped to a VCD file.
//
// Copyright (c) 2026 The linkbudget developers. MIT License, see LICENSE at the root of the repository.
//
// +traffic=FILE  one thing a line, in decimal: how long the line is idle before it, in eighths of a bit; what it
//                is (0 character, 1 character with a wrong parity bit, 2 character with a low first stop bit,
//                3 low for some eighths of a bit); the value of the character, or the number of eighths
// +vcd=FILE      the dump

`timescale 1ps / 1ps

module uart_line;
    parameter integer BIT_PS = 8_680_556;
    parameter integer DATA_BITS = 8;
    parameter integer PARITY = 0;  // 0 none, 1 even, 2 odd, 3 mark, 4 space
    parameter integer HALF_STOPS = 2;
    parameter integer INVERT = 0;

    reg level = 1'b1;
    wire tx = level ^ (INVERT != 0);
    reg [8 * 256 - 1 : 0] traffic_name;
    reg [8 * 256 - 1 : 0] vcd_name;
    integer traffic, eighths, what, value, index;
    reg parity;

    task bits(input integer count_of_eighths, input new_level);
        begin
            level = new_level;
            #(BIT_PS / 8.0 * count_of_eighths);
        end
    endtask

    task send(input integer data, input wrong_parity, input low_stop);
        begin
            bits(8, 1'b0);
            parity = PARITY == 2 || PARITY == 3;
            for (index = 0; index < DATA_BITS; index = index + 1) begin
                bits(8, data[index]);
                if (PARITY == 1 || PARITY == 2) parity = parity ^ data[index];
            end
            if (PARITY != 0) bits(8, parity ^ wrong_parity);
            if (low_stop) bits(8, 1'b0);
            bits(low_stop ? 8 : 4 * HALF_STOPS, 1'b1);
        end
    endtask

    initial begin
        if (!$value$plusargs("traffic=%s", traffic_name) || !$value$plusargs("vcd=%s", vcd_name)) begin
            $display("uart_line: +traffic=FILE and +vcd=FILE are needed");
            $finish_and_return(2);
        end
        traffic = $fopen(traffic_name, "r");
        $dumpfile(vcd_name);
        $dumpvars(1, tx);
        while ($fscanf(traffic, "%d %d %d", eighths, what, value) == 3) begin
            bits(eighths, 1'b1);
            if (what == 3) bits(value, 1'b0);
            else send(value, what == 1, what == 2);
        end
        bits(400, 1'b1);
        $finish;
    end
endmodule
