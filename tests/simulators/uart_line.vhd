-- A UART transmitter with faults on order, as a model for simulation: that of uart_line.v, in VHDL.
--
-- Copyright (c) 2026 The linkbudget developers. MIT License, see LICENSE at the root of the repository.
--
-- TRAFFIC names a file with one thing a line, in decimal: how long the line is idle before it, in eighths of a
-- bit; what it is (0 character, 1 character with a wrong parity bit, 2 character with a low first stop bit,
-- 3 low for some eighths of a bit); the value of the character, or the number of eighths.

library ieee;
use ieee.std_logic_1164.all;
use std.textio.all;

entity uart_line is
  generic (
    TRAFFIC    : string  := "traffic.txt";
    BIT_PS     : integer := 8_680_556;
    DATA_BITS  : integer := 8;
    PARITY     : integer := 0;  -- 0 none, 1 even, 2 odd, 3 mark, 4 space
    HALF_STOPS : integer := 2;
    INVERT     : integer := 0
  );
end entity;

architecture model of uart_line is
  function idle return std_logic is
  begin
    if INVERT /= 0 then return '0'; else return '1'; end if;
  end function;

  signal tx : std_logic := idle;
begin
  transmitter : process
    file source     : text open read_mode is TRAFFIC;
    variable row    : line;
    variable wait_for, what, value : integer;

    procedure bits(eighths : integer; high : boolean) is
    begin
      if high then tx <= idle; else tx <= not idle; end if;
      wait for eighths * (BIT_PS * 125 fs);
    end procedure;

    procedure send(data : integer; wrong_parity, low_stop : boolean) is
      variable rest : integer := data;
      variable even : boolean := true;
      variable bit_is_one : boolean;
    begin
      bits(8, false);
      for k in 1 to DATA_BITS loop
        bit_is_one := rest mod 2 = 1;
        even := even xor bit_is_one;
        bits(8, bit_is_one);
        rest := rest / 2;
      end loop;
      case PARITY is
        when 1 => bits(8, (not even) xor wrong_parity);
        when 2 => bits(8, even xor wrong_parity);
        when 3 => bits(8, not wrong_parity);
        when 4 => bits(8, wrong_parity);
        when others => null;
      end case;
      if low_stop then
        bits(8, false);
        bits(8, true);
      else
        bits(4 * HALF_STOPS, true);
      end if;
    end procedure;
  begin
    while not endfile(source) loop
      readline(source, row);
      read(row, wait_for);
      read(row, what);
      read(row, value);
      bits(wait_for, true);
      if what = 3 then
        bits(value, false);
      else
        send(value, what = 1, what = 2);
      end if;
    end loop;
    bits(400, true);
    wait;
  end process;
end architecture;
