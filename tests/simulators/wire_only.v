// A wire for a transmitter of cocotbext-uart to drive, dumped to a VCD file.
//
// Copyright (c) 2026 The linkbudget developers. MIT License, see LICENSE at the root of the repository.
//
// +vcd=FILE      the dump

`timescale 1ns / 1ns

module wire_only (input tx);
    reg [8 * 256 - 1 : 0] vcd_name;

    initial begin
        if (!$value$plusargs("vcd=%s", vcd_name)) begin
            $display("wire_only: +vcd=FILE is needed");
            $finish_and_return(2);
        end
        $dumpfile(vcd_name);
        $dumpvars(1, tx);
    end
endmodule
